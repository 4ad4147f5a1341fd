"""Limits evaluated over stored rows: in full, and by short ways that are exact.

tasks                one piece of an evaluation, as plain data for any executor
full_evaluation      any number of limits over every reading of a recording
level_alerts         levels, over the rows near them
inverse_time_alerts  inverse-time limits, over the runs that may operate
thermal_alerts       thermal images of many limits from one read
stuck_alerts         limits on a stuck reading that cannot be raised at all
candidate_buckets    which buckets of a trace can change anything about a limit
skip_scan            a limit taken from one such bucket to the next
score_groups         limits that share their scores
alert_arrays         alerts as arrays; the spans that were recorded

Every short way is allowed because a property test says that it equals the plain evaluation of
replay/excursions/over_rows.py, to the nanosecond.
"""
