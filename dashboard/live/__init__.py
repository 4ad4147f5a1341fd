"""What Live shows.

follower        follows the recording that is being written, once for all open pages
snapshot        its state at one instant, shared by all pages
session         one open page: its request, what it acknowledged, what is sent next
view_request    what a page says that it displays
view            what a view of a recording shows, moment by moment
closed_bins     the bins of its picture that have closed, of all pens together
view_stream     one view for all pages that look at it, each moment encoded once
websocket       the websocket that carries it
messages        the text messages, one constructor each
wire_messages   their types
wire_format     the binary message
json_patch      the difference between two states of the status panel
status          the present state of joints and alerts, in words
joint_facts     what is so of a joint at one instant, and what decides its place
joint_words     the words that rows and tiles of joints share
tiles           many joints as tiles, the most urgent in full
bus_lines       several buses, each in a few words
alert_rows      the open alerts, and what can be done about each
disk_text       for how long the disk lasts
forecast_text   when a temperature reaches its next limit by its trend, or why nobody knows
limit_time      the one of both that holds for a joint
model_text      where it goes by the model of its heat
campaign_text   the stage of the plan that is followed, and when it is expected to end
drive_text      the state and fault that a drive reports
write_requests  notes, acknowledgements and shelvings, passed to the recording's writer

Kept together: a page's moment passes through all of them, and each has one page of code.
"""
