"""Which file of a recording is where, and what it holds.

files       names within a recording; how a file is written whole or not at all
schema      the columns of every stream
manifest    recording.json
events      one event, one row
older_events  events of recorders that had no columns for bus, frame and request
request     what can be requested of the one writer, and the event that it becomes
lock        live.lock: one writer
remote      where a recording lies: a folder here, or an address that fsspec opens
byte_cache  the most recently used of what was read, up to so many bytes
"""
