"""Which joints are drawn, and with which pen; no two joints of a figure share one.

There are four pens. Up to four joints all have one, in the order of the bench. Of more only those
that are drawn have one: the most urgent, or those that the reader chose. Pure.
"""

from collections.abc import Mapping, Sequence
from typing import Final

__all__ = ["MAX_PENS", "NO_PEN", "Pens", "choose_pens", "drawn_text", "keep_pens"]

MAX_PENS: Final = 4
FIRST_DRAWN: Final = 3
"""So many are drawn of more than four while nobody has chosen: the reader may add one."""
NO_PEN: Final = 0
"""The pen of a joint that is not drawn: a plain line."""

Pens = Mapping[str, int]
"""Joint that is drawn -> its pen, from 1; in the order of the pens."""


def choose_pens(
    worst_first: Sequence[str], joints: Sequence[str], chosen: Sequence[str] | None = None
) -> Pens:
    """Return the pens of the joints that are drawn.

    Parameters
    ----------
    worst_first
        The joints that may be chosen, the most urgent first.
    joints
        All that can be drawn, instruments included, in the order of the bench.
    chosen
        What the reader chose: a joint for each pen, "" for a pen that draws none. Unknown joints
        and repeated ones are left out; where none is left, nothing was chosen.
    """
    if len(joints) <= MAX_PENS:
        return {joint: number for number, joint in enumerate(joints, start=1)}
    pens: dict[str, int] = {}
    for number, joint in enumerate((chosen or ())[:MAX_PENS], start=1):
        if joint in joints:
            pens.setdefault(joint, number)
    first = worst_first[:FIRST_DRAWN]
    return pens or {joint: number for number, joint in enumerate(first, start=1)}


def keep_pens(before: Pens, after: Pens) -> Pens:
    """Return the joints of `after` with pens so that those drawn before keep theirs."""
    kept = {joint: before[joint] for joint in after if joint in before}
    free = (number for number in range(1, MAX_PENS + 1) if number not in kept.values())
    pens = {joint: kept[joint] if joint in kept else next(free) for joint in after}
    return dict(sorted(pens.items(), key=lambda item: item[1]))


def drawn_text(drawn: int, joints: int) -> str:
    """Return how many joints are drawn and how many are not, "" where all are."""
    return "" if drawn >= joints else f"{drawn} of {joints} drawn, {joints - drawn} not"
