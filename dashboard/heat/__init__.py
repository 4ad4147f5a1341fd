"""Heat: what a joint bears, for how long, and why one may believe it.

fits        joints fitted, kept for as long as somebody turns the rules
limits_in_force  the limits in force on a joint, and the levels of its temperatures
load_curve  for how long a load is held, and what the limits in force allow
load_time_figure  the same as a figure
borne_table       the same in numbers, of one unit below each other
trace_figure      measured temperatures over those of the model
ladder      where the heat goes, node by node
view        what the page shows of a fitted joint, in words and figures
further     further recordings of the joint, fitted together with the one that is open
held_against  a load held against what another recording of its joint tells
heat_query  what the page puts into addresses
routes      the route of a fitted joint
accounts          accounts of joints' loads
rms_window_figure  the highest RMS over windows of every length, and what is held
load_map_figure  the share of the time by load and speed
duty_view         what the page shows of a load as it was
duty_routes       its route, and that of limits from the model
motion_request    the question of a planned motion
motion_routes     the route that answers it

Kept together: one page, whose three accounts (what a joint bears, its load as it was, a planned
motion) stand on the same kept fits and rules.
"""
