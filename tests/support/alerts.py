"""Alerts held against each other."""

import numpy as np

from replay.evaluation.alert_arrays import AlertArrays


def same_alerts(found: AlertArrays, expected: AlertArrays) -> bool:
    """Return whether both tell of the same alerts, to the nanosecond."""
    return (
        np.array_equal(found.onset_ns, expected.onset_ns)
        and np.array_equal(found.raised_ns, expected.raised_ns)
        and np.array_equal(found.returned_ns, expected.returned_ns)
    )
