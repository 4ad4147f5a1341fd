"""What Live shows.

follower        follows the recording that is being written, once for all open pages
session         one open page: what it has, and what to send it next
websocket       the websocket that carries it
wire_format     how an update travels
json_patch      what changed between two states of the status panel
status          the present state of joints and alerts, in words
alert_rows      which alerts are active, and what can be done
drive_text      what a drive reports of itself
write_requests  notes, acknowledgements and shelvings, passed to the recording's writer
"""
