"""The password, where the pages are served to other machines.

password            the file with the hash of the password, and the check against it
login_rate_limiter  how often a password may be tried (pure)
sessions            the sessions of logged-in browsers (pure)
session_middleware  refuses every request and websocket without a session, and every change if
                    read-only
login               the login page and its routes

The origin check (`server.origin_check`) runs before all of it. Of the password only the hash is
stored. Sessions are in memory only, so that everybody must log in again after a restart.
"""
