"""Limits tried on recordings: what the Limits page asks, and what it is answered.

question    what the page sends, validated
forms       what can be set about each kind of limit
reply       what each limit raises, in words and as shares of a figure
provenance  where tried limits come from, for the top of their file
job_queue   what takes longer than a question, in processes of its own
jobs        exact answers and sweeps
routes      the routes

Only deploying limits asks for something to be written, and the logger does that.
"""
