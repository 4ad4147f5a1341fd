"""Which limits applied, what they raised, and what led up to it.

excursion       one span beyond a limit, and what led up to it
applied_limits  which limits applied and what they raised, as recorded or under other limits
recorded        every excursion from what was raised, without evaluating the rows
over_rows       every excursion, evaluated over the rows: the measure of the shorter ways
alert_peaks     how far an alert has gone by now
"""
