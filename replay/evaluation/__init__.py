"""Limits evaluated over stored rows: in full, and by short ways that are exact.

tasks                one piece of an evaluation, as plain data for any executor
full_evaluation      any number of limits over every reading of a recording
level_alerts         levels, over the rows near them
inverse_time_alerts  inverse-time limits, over the runs that may operate them
inverse_time_runs    or over all rows at once, where they operate again and again
thermal_alerts       thermal images of many limits from one read
thermal_moments      the moments of a current, from which the images follow
stuck_alerts         which limits on a stuck reading cannot be raised at all
candidate_buckets    the buckets of a trace that may change the state of a limit
skip_scan            a limit evaluated in those buckets only
score_groups         limits that share their scores
alert_arrays         alerts as arrays; the spans between starts of the recorder

Every short way is allowed only because a property test shows that it gives the same alerts, to the
nanosecond, as the plain evaluation of replay/excursions/over_rows.py.
"""
