"""What Live shows.

follower        follows the recording that is being written, once for all open pages
snapshot        what is known of it at one instant, shared by all pages
session         one open page: what it asked for, what it acknowledged, what is sent next
view            what one page has drawn, and what its next update has to bring
websocket       the websocket that carries it
messages        the text messages, one constructor each
wire_messages   their types
wire_format     the binary message
json_patch      what changed between two states of the status panel
status          the present state of joints and alerts, in words
alert_rows      which alerts are active, and what can be done
drive_text      what a drive reports of itself
write_requests  notes, acknowledgements and shelvings, passed to the recording's writer
"""
