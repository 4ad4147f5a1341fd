"""Who is let in where the pages are served to more than this machine.

password   the file that holds the password's hash, and whether a password is the one
tries      how often somebody may try (pure)
sessions   who has been let in, and until when (pure)
gate       turns away every request and websocket without a session, and every change if read-only
login      the page that asks for the password, and its routes

`guard` stands before all of it: it turns away what comes from a foreign page. The password is kept
nowhere but as its hash; sessions are kept in memory only, so a restart asks everybody again.
"""
