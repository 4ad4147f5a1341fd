"""Which limits applied, what they raised, and what led up to it.

excursion       one span beyond a limit, and what led up to it
lead_up_load    the load before it, over spans that heat takes its time by
applied_limits  which limits applied and what they raised, as recorded or under other limits
recorded        every excursion from the alerts that were raised, without evaluating the rows
over_rows       every excursion, evaluated over the rows: the reference of the shorter ways
not_judged      over which spans a limit was not judged
alert_peaks     the worst value of an alert that has not returned
words           excursions, and what was not judged, as rows of tables
"""
