"""The cycles of several recordings of one joint as one campaign, their pauses folded."""

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan_settings import PlanSettings
from logger.store.layout.files import cycles_stream
from replay.campaign.cycle_table import CycleTable, kind_codes, slices, taken
from replay.campaign.faults import CycleFault, CycleFaultKind
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording

__all__ = ["CampaignCycles", "RunningHours", "read_campaign_cycles"]

PAUSE_S: Final = 600.0
"""Without a cycle for longer (or for three of them, where they take longer): a pause."""
_USUAL: Final = 3.0
_NS_PER_H: Final = 3.6e12


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
    """Stages of the plan in which cycles ended; "": none."""
    stage_codes: NDArray[np.uint16]
    """Place in `stages` of that in which each ended, shape (n,)."""

    @property
    def is_whole(self) -> NDArray[np.bool_]:
        """Which ran through, shape (n,)."""
        return self.table.is_whole

    def is_within(self, stage: str) -> NDArray[np.bool_]:
        """Return which ended in a stage, shape (n,)."""
        places = [place for place, name in enumerate(self.stages) if name == stage]
        within = np.zeros(len(self.stage_codes), np.bool_)
        for place in places:
            within |= self.stage_codes == place
        return within

    @property
    def usual_s(self) -> float:
        """Median length of a whole cycle; NaN for none."""
        start_ns, end_ns = self.table.start_ns, self.table.end_ns
        lengths_s = taken(self.is_whole, lambda own: (end_ns[own] - start_ns[own]) / 1e9)
        return float(np.median(lengths_s, overwrite_input=True)) if len(lengths_s) else math.nan

    def running_hours(self) -> RunningHours:
        """Return how long the joint had run when: from cycle to cycle, pauses left out."""
        start_ns, end_ns = self.table.start_ns, self.table.end_ns
        if not len(start_ns):
            return RunningHours(at_ns=np.empty(0, np.int64), hours=np.empty(0))
        usual_s = self.usual_s
        longest_s = max(PAUSE_S, _USUAL * usual_s) if np.isfinite(usual_s) else PAUSE_S
        pauses = _pauses(start_ns, end_ns, longest_s * 1e9)
        # Between pauses hours run with the clock: their ends are all that is to be known.
        at_ns = np.unique(np.concatenate([start_ns[:1], end_ns[-1:], *pauses.T]))
        ran_ns = np.where(np.isin(at_ns[:-1], pauses[:, 0]), 0, np.diff(at_ns))
        return RunningHours(at_ns=at_ns, hours=np.append(0, ran_ns.cumsum()) / _NS_PER_H)


def _pauses(start_ns: Ints, end_ns: Ints, longest_ns: float) -> Ints:
    """Return begin and end of each span in which no cycle began or ended for long, shape (n, 2)."""
    found = [np.empty((0, 2), np.int64)]
    for own in slices(len(start_ns)):
        end = end_ns[own]
        # They follow each other; where one began before the one before it ended, from then on.
        before = end_ns[max(own.start - 1, 0) : own.stop - 1]
        before = np.append(start_ns[0], before) if own.start == 0 else before
        start = np.maximum(start_ns[own], before)
        for begins, ends in ((before, start), (start, end)):
            is_long = ends - begins > longest_ns
            found.append(np.stack([begins[is_long], ends[is_long]], axis=1))
    return np.concatenate(found)


def read_campaign_cycles(
    recordings: Sequence[Recording],
    joint: str,
    plan: PlanSettings | None,
    figures: Collection[str],
    *,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> CampaignCycles:
    """Return the cycles of recordings that follow each other.

    As they were recorded, where a plan was followed; else found from the readings.

    Parameters
    ----------
    figures
        Which are wanted; those that are not known are left out.

    Raises
    ------
    CycleFault
        No recording has any.
    """
    expected = sum(
        one.row_count(cycles_stream(joint), opened=False)
        for one in recordings
        if _has_recorded(one, joint)
    )
    gathered = _Gathered(joint, figures, expected=expected)
    fault: CycleFault | None = None
    for number, recording in enumerate(recordings):
        report_progress(number / len(recordings))
        if _has_recorded(recording, joint):
            for piece in _recorded(recording, joint, figures):
                gathered.add(*piece)
            continue
        try:
            table = read_cycles(recording, joint, start=plan.cycle if plan else None)
        except CycleFault as one:
            if one.kind is not CycleFaultKind.NONE_FOUND:
                raise
            fault = one
            continue
        gathered.add(table, [""], np.zeros(len(table), np.int64))
    if not gathered.count:
        assert fault is not None, "there is at least one recording"
        raise fault
    return gathered.cycles()


class _Gathered:
    """Takes the cycles of recordings, piece after piece, and makes one table of them.

    Each column stands there once, and figures in single precision: there are millions of cycles.
    What is told of a figure are means, and a thousandth of its scatter is far above the rounding.
    """

    def __init__(self, joint: str, figures: Collection[str], *, expected: int) -> None:
        self._joint, self._wanted = joint, figures
        self.count = 0
        self._start_ns, self._end_ns = np.empty((2, expected), np.int64)
        self._kinds = np.empty(expected, np.uint8)
        self._stage_codes = np.empty(expected, np.uint16)
        self._figures: dict[str, NDArray[np.float32]] = {}
        self._stages: dict[str, int] = {}

    def add(self, table: CycleTable, stages: Sequence[str], stage_places: Ints) -> None:
        """Take the next cycles."""
        first, self.count = self.count, self.count + len(table)
        self._make_room()
        own = slice(first, self.count)
        codes = [self._stages.setdefault(name, len(self._stages)) for name in stages]
        self._start_ns[own], self._end_ns[own] = table.start_ns, table.end_ns
        self._kinds[own] = table.kind_codes
        self._stage_codes[own] = np.array(codes, np.uint16)[stage_places]
        for name in table.figures:
            if name in self._wanted:
                if name not in self._figures:
                    self._figures[name] = np.full(len(self._kinds), np.nan, np.float32)
                self._figures[name][own] = table.figures[name]

    def _make_room(self) -> None:
        """Make all columns longer where there are more cycles than were expected."""
        if self.count <= len(self._kinds):
            return
        more = 2 * self.count - len(self._kinds)
        self._start_ns, self._end_ns = (
            np.append(column, np.empty(more, np.int64)) for column in (self._start_ns, self._end_ns)
        )
        self._kinds = np.append(self._kinds, np.empty(more, np.uint8))
        self._stage_codes = np.append(self._stage_codes, np.empty(more, np.uint16))
        for name, column in self._figures.items():
            self._figures[name] = np.append(column, np.full(more, np.nan, np.float32))

    def cycles(self) -> CampaignCycles:
        """Return all that were taken."""
        table = CycleTable(
            joint=self._joint,
            start_ns=self._start_ns[: self.count],
            end_ns=self._end_ns[: self.count],
            kind_codes=self._kinds[: self.count],
            figures={name: column[: self.count] for name, column in self._figures.items()},
        )
        return CampaignCycles(
            table=table, stages=tuple(self._stages), stage_codes=self._stage_codes[: self.count]
        )


def _has_recorded(recording: Recording, joint: str) -> bool:
    stream = cycles_stream(joint)
    return stream in recording.schemas and recording.span_ns(stream) is not None


def _recorded(
    recording: Recording, joint: str, figures: Collection[str]
) -> Iterator[tuple[CycleTable, list[str], Ints]]:
    """Yield the cycles that stand in a recording, and their stages, some at a time."""
    stream = cycles_stream(joint)
    span = recording.span_ns(stream)
    assert span is not None, "there are some"
    known = [name for name in recording.schemas[stream].names if name in figures]
    columns = ["time", "start", "kind", "stage", *known]
    for rows in recording.row_pieces(stream, start_ns=span[0], end_ns=span[1] + 1, columns=columns):
        kinds, kind_places = _coded(rows["kind"])
        stages, stage_places = _coded(rows["stage"])
        table = CycleTable(
            joint=joint,
            start_ns=rows["start"].cast("int64").to_numpy(),
            end_ns=rows["time"].cast("int64").to_numpy(),
            kind_codes=kind_codes(CycleKind(text) for text in kinds)[kind_places],
            figures={
                name: rows[name].to_numpy(zero_copy_only=False).astype(np.float32) for name in known
            },
        )
        yield table, stages, stage_places


def _coded(column: pa.ChunkedArray) -> tuple[list[str], Ints]:
    """Return the texts that a column has ("" where there is none), and each row's place in them."""
    coded = column.dictionary_encode("encode").combine_chunks()
    texts = [text or "" for text in coded.dictionary.to_pylist()]
    return texts, coded.indices.to_numpy().astype(np.int64)
