"""Proposed limits as a limits file whose comments say where they come from. Pure."""

import math
import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from logger.limits.limits_text import prepend_comments
from replay.heat.fit import HeatFit
from replay.heat.planning.proposed_limits import LimitsAssumption, ProposedLimits, TriedLimit
from replay.heat.text import band_values, duration_text
from replay.heat.words import caution_text

__all__ = ["limits_lines", "proposed_file", "tried_lines"]

_WIDTH: Final = 96
_LIMITS_ASSUMED: Final = {
    LimitsAssumption.LOWER_END: "They let the lower end of that interval go on for ever; time "
    "constants are the likeliest.",
    LimitsAssumption.AMBIENT_COUNTS: "They follow the joint's own ambient channel.",
    LimitsAssumption.AMBIENT_FIXED: "In a warmer room than that they protect less.",
    LimitsAssumption.IDLE_AS_RECORDED: "The room was not recorded: they are for the temperature "
    "without load as it was; in a warmer room they protect less.",
    LimitsAssumption.SPEED_AS_RECORDED: "What the joint loses by speed is counted at the speed of "
    "the recordings; turning faster they protect less.",
    LimitsAssumption.BEGINS_COLD: "They take the joint to be cold when a recording starts: one "
    "that is warm then is protected only after some time constants.",
    LimitsAssumption.TURNING: "At standstill one phase may carry the peak all the time, up to "
    "twice the loss: then they protect less.",
    LimitsAssumption.SHARE_GIVEN_UP: "Two images together protect the winding under any load; a "
    "tenth of the load for ever is given up for short loads.",
}


def proposed_file(
    proposed: ProposedLimits, fit: HeatFit, tried: Sequence[TriedLimit], *, made: datetime
) -> str:
    """Return the limits file, with comments at its top."""
    sentences = [
        f"Limits from the fitted heat of {fit.label} by dutytrace on {made:%Y-%m-%d}.",
        *limits_lines(proposed, fit),
        *tried_lines(proposed, tried),
    ]
    comments = [line for one in sentences for line in textwrap.wrap(one, _WIDTH)]
    return prepend_comments(proposed.text, comments)


def limits_lines(proposed: ProposedLimits, fit: HeatFit) -> list[str]:
    """Return what the limits protect, what they stand on, assumptions and cautions."""
    unit = "A" if fit.read.load == "current_A" else "N.m"
    at = f"{proposed.ambient_degC:.0f} °C"
    is_idle = LimitsAssumption.IDLE_AS_RECORDED in proposed.assumptions
    where = f"where it is at {at} without load" if is_idle else f"in a room at {at}"
    value, interval = band_values(proposed.load_for_ever)
    return [
        f"The trip comes before the {proposed.node} is at {proposed.limit_degC:g} °C {where}, "
        f"whatever the load does; {value} {unit} ({interval}) hold it there for ever.",
        f"From {', '.join(fit.read.recordings)}: {fit.read.trace.hours:.2f} h with a load.",
        *(_LIMITS_ASSUMED[one] for one in proposed.assumptions),
        *(caution_text(one) for one in fit.cautions),
        "They are proposed, and not in force.",
    ]


def tried_lines(proposed: ProposedLimits, tried: Sequence[TriedLimit]) -> list[str]:
    """Return what the limits of each severity would have done on each recording."""
    return [f"On {one.recording}: {_did(proposed, one)}" for one in tried]


def _did(proposed: ProposedLimits, one: TriedLimit) -> str:
    limit, node = f"{proposed.limit_degC:g} °C", proposed.node.value
    words = f"{one.raised or 'no'} {one.severity}{'' if one.raised == 1 else 's'}"
    if not one.leads_s:
        is_read = math.isfinite(one.hottest_degC)
        hottest = f"was at {one.hottest_degC:.0f} °C at most" if is_read else "is not recorded"
        return f"{words}; the {node} {hottest}, so no lead time can be told."
    known = sorted(lead for lead in one.leads_s if lead is not None)
    late = len(one.leads_s) - len(known)
    if one.without:
        words += f", {one.without} of them while the {node} stayed below {limit}"
    if known:
        words += f"; it came {duration_text(known[0])} of recording before {limit}"
        if len(known) > 1:
            words += f" at the least, {duration_text(known[len(known) // 2])} in the middle"
    if late:
        words += f"; {late} of {len(one.leads_s)} times that the {node} got to {limit} without it"
    return words + "."
