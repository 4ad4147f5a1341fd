"""Who is let in where the pages are served to more than this machine.

password            the file that holds the password's hash, and the comparison with it
login_rate_limiter  how often somebody may try (pure)
sessions            who has been let in, and until when (pure)
session_middleware  refuses every request and websocket without a session, and every change if
                    read-only
login               the page that asks for the password, and its routes

The origin check comes before all of it. The password is kept nowhere but as its hash; sessions are
kept in memory only, so a restart asks everybody again.
"""
