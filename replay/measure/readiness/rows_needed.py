"""Passes and holds in the rows of a joint, each counted once however the rows come. Pure.

Both are found as the evaluations find them. What has not ended with the newest row is not counted
yet, and is read again with the rows after it.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final

from replay.measure.kinds.ceiling import ENOUGH_HOLDS
from replay.measure.kinds.friction import ENOUGH_PAIRS, same_speed_groups
from replay.measure.kinds.holds import asked_holds, modes_of
from replay.measure.kinds.passes import PassPair, pair_passes, steady_passes
from replay.measure.readiness.needed import Needed, paced_s
from replay.measure.setup import SpanTrace

__all__ = ["READ_AGAIN_S", "CountedRows"]

READ_AGAIN_S: Final = 60.0
"""What lasts longer than this may be counted as two."""
_ENDED_S: Final = 0.3
"""What ends so shortly before the newest row may still go on."""


@dataclass(slots=True)
class CountedRows:
    """What was found so far; times in s since the recording's start."""

    pairs: list[PassPair] = field(default_factory=list)
    holds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    """Mode -> begin of each hold."""
    pairs_end_s: float = float("-inf")
    holds_end_s: dict[str, float] = field(default_factory=dict)

    def add_rows(self, span: SpanTrace, end_s: float) -> float:
        """Count what ended in a stretch of rows; return from where to read next time.

        Parameters
        ----------
        span
            Its rows, from what the last call returned on.
        end_s
            Time of its newest row.
        """
        again_s = [self._add_pairs(span, end_s)]
        again_s += [self._add_holds(span, mode, end_s) for mode in modes_of(span)]
        return max(min(again_s), end_s - READ_AGAIN_S)

    def _add_pairs(self, span: SpanTrace, end_s: float) -> float:
        torque = next((name for name in ("torque_Nm", "current_A") if name in span.series), "")
        if not torque or not len(span.channel(torque)[0]):
            return end_s
        ended = [
            one
            for one in steady_passes(span, torque)
            if self.pairs_end_s < one.time_s[0] and one.time_s[-1] < end_s - _ENDED_S
        ]
        for pair in pair_passes(ended):
            self.pairs.append(pair)
            self.pairs_end_s = max(self.pairs_end_s, pair.end_s)
        return self.pairs_end_s

    def _add_holds(self, span: SpanTrace, mode: str, end_s: float) -> float:
        counted_s = self.holds_end_s.get(mode, float("-inf"))
        for hold in asked_holds(span, mode):
            hold_end_s = hold.start_s + hold.duration_s
            if hold.start_s > counted_s and hold_end_s < end_s - _ENDED_S:
                self.holds[mode].append(hold.start_s)
                self.holds_end_s[mode] = hold_end_s
        return self.holds_end_s.get(mode, float("-inf"))

    def needed_pairs(self) -> Needed:
        """Return what friction needs: pairs of passes at the speed that has the most."""
        groups = same_speed_groups(self.pairs)
        most = max(groups, key=len, default=[])
        missing = max(ENOUGH_PAIRS - len(most), 0)
        left_s = paced_s([one.time_s for one in most], missing)
        if left_s is None and most:
            left_s = missing * 2.0 * (most[0].end_s - most[0].time_s)
        return Needed(
            kind="friction",
            what="pair of passes both ways at one speed",
            many="pairs of passes both ways at one speed",
            have=len(most),
            wants=ENOUGH_PAIRS,
            left_s=left_s,
        )

    def needed_holds(self) -> Needed:
        """Return what a ceiling needs: holds in the control mode that has the most."""
        most = max(self.holds.values(), key=len, default=[])
        return Needed(
            kind="ceiling",
            what="stretch that asks for more than comes",
            many="stretches that ask for more than comes",
            have=len(most),
            wants=ENOUGH_HOLDS,
            left_s=paced_s(most, ENOUGH_HOLDS - len(most)),
        )
