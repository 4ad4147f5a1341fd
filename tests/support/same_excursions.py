"""Excursions under other limits, in the form in which the full evaluation tells them."""

from collections.abc import Sequence

from logger.limits.limit import LimitSet
from replay.excursions.applied_limits import hypothetical_limits
from replay.excursions.excursion import Excursion
from replay.excursions.recorded import complete_excursions, excursions_from_alerts
from replay.recording import Recording

__all__ = ["in_channels", "under_others"]


def under_others(recording: Recording, limits: LimitSet) -> list[Excursion]:
    """Return what other limits would have raised, with all that is asked afterwards."""
    watch = hypothetical_limits(recording, limits)
    assert watch.hypothetical
    return complete_excursions(recording, watch, excursions_from_alerts(recording, watch))


def in_channels(found: Sequence[Excursion]) -> list[Excursion]:
    """Return those whose peak is in a channel's unit."""
    return [one for one in found if one.channel]
