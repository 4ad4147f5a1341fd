"""Limits tried on recordings: the requests of the Limits page and the replies.

question    the requests of the page, validated
forms       which keys each kind of limit has, and how the page names them
reply       what each limit raises, in words and as shares of a figure
provenance  where tried limits come from, for the top of their file
jobs        the jobs: exact evaluations and sweeps
routes      the routes

Only deploying limits writes anything, and it is the recorder that does.
"""
