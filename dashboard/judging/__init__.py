"""Limits tried on recordings: what the Limits page asks, and what it is answered.

    question   what the page sends, checked
    forms      what can be set about each kind of limit
    reply      what each limit raises, in words and as shares of a picture
    provenance where tried limits come from, for the top of their file
    toil       what takes longer than a question, in processes of its own
    work       exact answers and sweeps
    routes     the routes

Only handing over asks for something to be written, and the logger does that.
"""
