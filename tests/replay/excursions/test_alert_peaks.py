"""How far an open alert has gone: read on from what was known, it is the same as read anew."""

from dataclasses import replace

from replay.excursions.alert_peaks import alert_peak
from replay.recording import Recording

S = 1_000_000_000


def test_read_on_is_read_anew(overheat: Recording):
    """Step by step with an overlap, as the pages do, against the whole of it each time."""
    told = [replace(one, returned_ns=None) for one in overheat.read_alerts() if one.channel]
    assert told
    for alert in told:
        known = None
        for seconds in (1, 2, 5, 9, 60, 61, 300):
            now_ns = alert.raised_ns + seconds * S
            worst = alert_peak(overheat, alert, now_ns, previous=known)
            assert worst == alert_peak(overheat, alert, now_ns)
            known = max(now_ns - S, alert.raised_ns), worst
