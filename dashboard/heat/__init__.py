"""Heat: what a joint bears, for how long, and why one may believe it.

fits        joints fitted in processes of their own, kept for as long as somebody turns the rules
load_curve  for how long a load is held, and what the limits in force allow
load_time_figure  the same as a figure
trace_figure      measured temperatures over those of the model
view        what the page shows of a fitted joint, in words and figures
routes      the route
"""
