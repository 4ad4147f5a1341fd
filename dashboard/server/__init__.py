"""What every route shares.

json_requests    what every POST of a page goes through
recording_cache  the recordings folder, and the recordings that are open
origin_check     requests from foreign pages are refused
memory           free memory returned to the system
"""
