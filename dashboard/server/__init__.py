"""What every route shares.

dependencies      what routes are given by FastAPI: the recordings, one of them, the body of a POST
queries           the parameters of addresses, brought into range
json_answer       JSON in ASCII, which carries any folder name
json_requests     what every POST of a page goes through
error_answers     what a page is answered when a route raises
job_queue         work that takes longer than a request, in processes of its own
kept_work         what takes long and is asked for again, made once and kept
kept_work         what takes long and is asked for again: made once and kept
recording_cache   the recordings folder, and the recordings that are open
browser_modules   serves the pages' modules, style sheets and plotly
origin_check      requests from foreign pages are refused
network_address   which client it is, behind a trusted proxy too (pure)
bounded_http      connections bounded in number, time and length
body_limit        no body is read beyond the longest that a page sends
security_headers  what a browser may do with an answer: content security policy and others
web_server        uvicorn with the settings of this program, and its socket

Kept together: what a request goes through before a page's own route, and what the answer goes
through behind it; none of it knows a page.
Kept together: what every page's routes stand on, between a request and the recordings.
"""
