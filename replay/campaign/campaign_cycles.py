"""The cycles of several recordings of one joint as one campaign, their pauses folded."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan_settings import PlanSettings
from logger.store.layout.files import cycles_stream
from replay.campaign.cycle_table import CycleTable
from replay.campaign.faults import CycleFault, CycleFaultKind
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording

__all__ = ["CampaignCycles", "RunningHours", "read_campaign_cycles"]

PAUSE_S: Final = 600.0
"""Without a cycle for longer (or for three of them, where they take longer): a pause."""
_USUAL: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningHours:
    """Hours that a joint ran, pauses folded to nothing; knots in order, shape (n,)."""

    at_ns: Ints
    hours: Floats

    @property
    def pauses_ns(self) -> list[tuple[int, int]]:
        """Beginning and end of each pause that is folded, in order."""
        at_ns, is_pause = self.at_ns.tolist(), (np.diff(self.hours) == 0.0).tolist()
        return [
            (begin, end)
            for begin, end, paused in zip(at_ns[:-1], at_ns[1:], is_pause, strict=True)
            if paused
        ]

    def at(self, time_ns: Ints) -> Floats:
        """Return the running hours at instants."""
        if not len(self.at_ns):
            return np.zeros(len(time_ns))
        zero = self.at_ns[0]
        hours = np.interp((time_ns - zero) / 1e9, (self.at_ns - zero) / 1e9, self.hours)
        return np.asarray(hours, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignCycles:
    """All cycles of a campaign in order of time, n of them."""

    table: CycleTable
    stages: tuple[str, ...]
    """The stage of the plan in which each ended; "": none."""
    is_whole: NDArray[np.bool_]
    """Ran through, shape (n,)."""

    @property
    def usual_s(self) -> float:
        """Median length of a whole cycle; NaN for none."""
        lengths = (self.table.end_ns - self.table.start_ns)[self.is_whole] / 1e9
        return float(np.median(lengths)) if len(lengths) else float("nan")

    def running_hours(self) -> RunningHours:
        """Return how long the joint had run when: from cycle to cycle, pauses left out."""
        start_ns, end_ns = self.table.start_ns, self.table.end_ns
        if not len(start_ns):
            return RunningHours(at_ns=np.empty(0, np.int64), hours=np.empty(0))
        longest_s = max(PAUSE_S, _USUAL * self.usual_s) if np.isfinite(self.usual_s) else PAUSE_S
        knots = np.unique(np.concatenate([start_ns, end_ns]))
        spans_s = np.diff(knots) / 1e9
        is_pause = spans_s > longest_s
        ran_s = np.where(is_pause, 0.0, spans_s)
        hours = np.concatenate([[0.0], ran_s.cumsum()]) / 3600.0
        # Between pauses hours run with the clock: their ends are all that is to be known.
        is_end = np.concatenate([[True], is_pause]) | np.concatenate([is_pause, [True]])
        return RunningHours(at_ns=knots[is_end], hours=hours[is_end])


def read_campaign_cycles(
    recordings: Sequence[Recording],
    joint: str,
    plan: PlanSettings | None,
    *,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> CampaignCycles:
    """Return the cycles of recordings that follow each other.

    As they were recorded, where a plan was followed; else found from the readings.

    Raises
    ------
    CycleFault
        No recording has any.
    """
    tables: list[CycleTable] = []
    stages: list[str] = []
    fault: CycleFault | None = None
    for number, recording in enumerate(recordings):
        report_progress(number / len(recordings))
        recorded = _recorded(recording, joint)
        if recorded is None:
            try:
                table = read_cycles(recording, joint, start=plan.cycle if plan else None)
            except CycleFault as one:
                if one.kind is not CycleFaultKind.NONE_FOUND:
                    raise
                fault = one
                continue
            recorded = table, [""] * len(table)
        tables.append(recorded[0])
        stages += recorded[1]
    if not tables:
        assert fault is not None, "there is at least one recording"
        raise fault
    names = list(dict.fromkeys(name for one in tables for name in one.figures))
    table = CycleTable(
        joint=joint,
        start_ns=np.concatenate([one.start_ns for one in tables]),
        end_ns=np.concatenate([one.end_ns for one in tables]),
        kinds=tuple(kind for one in tables for kind in one.kinds),
        figures={
            name: np.concatenate(
                [one.figures.get(name, np.full(len(one), np.nan)) for one in tables]
            )
            for name in names
        },
    )
    return CampaignCycles(
        table=table,
        stages=tuple(stages),
        is_whole=np.array([kind is CycleKind.WHOLE for kind in table.kinds], np.bool_),
    )


def _recorded(recording: Recording, joint: str) -> tuple[CycleTable, list[str]] | None:
    """Return the cycles that stand in a recording, and their stages; None where none do."""
    stream = cycles_stream(joint)
    span = recording.span_ns(stream) if stream in recording.schemas else None
    if span is None:
        return None
    rows = recording.read_rows(stream, start_ns=span[0], end_ns=span[1] + 1)
    head = {"time", "start", "cycle", "kind", "stage"}
    kinds = {text: CycleKind(text) for text in rows["kind"].unique().to_pylist()}
    table = CycleTable(
        joint=joint,
        start_ns=rows["start"].cast("int64").to_numpy(),
        end_ns=rows["time"].cast("int64").to_numpy(),
        kinds=tuple(kinds[text] for text in rows["kind"].to_pylist()),
        figures={
            name: rows[name].to_numpy(zero_copy_only=False)
            for name in rows.column_names
            if name not in head
        },
    )
    return table, [stage or "" for stage in rows["stage"].to_pylist()]
