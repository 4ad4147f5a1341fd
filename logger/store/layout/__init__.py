"""The files of a recording: their names, their content, and how they are written.

files             names within a recording; atomic writes
schema            the columns of every stream
derived_schema    those of what is computed live: figures, forecasts, their bands
cycle_schema      those of a campaign: cycles, the rules they are counted by, the plan's progress
manifest          recording.json
frames_let_go     spans whose raw frames a keep rule has let go
row_check         whether rows that were read are such as a recorder writes
journaled_limits  limits that were put into force, in the journal until recording.json has them
events            one event, one row
older_events      events of recorders that had no columns for bus, frame and request
request           a request to the one writer, and the event that it becomes
attachment        a file that belongs to a recording: what is known of it, what it may be
lock              live.lock: one writer
remote            the location of a recording: a local folder, or an address that fsspec opens
byte_cache        the most recently used of what was read, bounded by bytes

Kept together: each is what one kind of file of a recording holds, and who else writes it.
"""
