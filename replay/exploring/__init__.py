"""Limits tried by hand: an approximate answer at once, the exact one after it.

limit_explorer  limits tried on recordings: approximate answers that become exact
approximate     limits evaluated on the pyramid's seconds
exposure        how long a joint was loaded how hard, against a time-current curve
"""
