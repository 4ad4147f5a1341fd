"""What a measurement needs of a recording, and what there is of it. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from replay.heat.text import duration_text

__all__ = ["Needed", "needed_text", "paced_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """What one kind of measurement has found in a recording, and what it asks for."""

    kind: str
    """As the programme names it; `heat` for the model of heat."""
    what: str
    """What is counted: "pair of passes at one speed"."""
    many: str
    """The same in the plural."""
    have: int
    wants: int
    left_s: float | None
    """How long it takes at the pace so far; None: not known. 0 where nothing is missing."""
    how: str = ""
    """What has to go on meanwhile: "at this load", "at rest"; "": what went on so far."""

    @property
    def is_enough(self) -> bool:
        """Whether the recording answers it."""
        return self.have >= self.wants

    @property
    def is_begun(self) -> bool:
        """Whether there is anything of it."""
        return self.have > 0 or self.left_s is not None

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "kind": self.kind,
            "what": self.what,
            "have": self.have,
            "wants": self.wants,
            "enough": self.is_enough,
            "left_s": self.left_s,
            "how": self.how,
        }


def paced_s(times_s: Sequence[float], missing: int) -> float | None:
    """Return how long so many more take, by the usual distance of those that came.

    None where fewer than two came. A pause between them does not count as their pace.
    """
    if missing <= 0:
        return 0.0
    if len(times_s) < 2:
        return None
    return missing * float(np.median(np.diff(sorted(times_s))))


def needed_text(one: Needed) -> str:
    """Return in words how much more it takes: "2 more pairs of passes, about 20 s"."""
    if one.is_enough:
        return "the recording answers it"
    if one.wants == 1:
        if one.left_s is None:
            return "not known yet: another load, or a rest, tells it"
        return f"about {duration_text(one.left_s)} more {one.how}".rstrip()
    missing = one.wants - one.have
    more = f"{missing} more {one.what if missing == 1 else one.many}"
    return more if one.left_s is None else f"{more}, about {duration_text(one.left_s)}"
