"""The cycles of several recordings of one joint as one campaign, their pauses folded."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan_settings import PlanSettings
from logger.store.layout.files import cycles_stream
from replay.campaign.cycle_table import CycleTable, kind_codes
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
        return np.isin(self.stage_codes, places)

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
        # Nearly in order already, which a stable sort makes use of: there are millions.
        knots = np.sort(np.stack([start_ns, end_ns], axis=1).ravel(), kind="stable")
        knots = knots[np.diff(knots, prepend=knots[0] - 1) > 0]
        is_pause = np.diff(knots) > longest_s * 1e9
        # Between pauses hours run with the clock: their ends are all that is to be known.
        is_end = np.concatenate([[True], is_pause]) | np.concatenate([is_pause, [True]])
        at_ns = knots[is_end]
        ran_ns = np.where(is_pause[is_end[:-1]], 0, np.diff(at_ns))
        return RunningHours(at_ns=at_ns, hours=np.append(0, ran_ns.cumsum()) / _NS_PER_H)


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
    gathered = _Gathered(joint, figures)
    fault: CycleFault | None = None
    for number, recording in enumerate(recordings):
        report_progress(number / len(recordings))
        recorded = _recorded(recording, joint, figures)
        if recorded is None:
            try:
                table = read_cycles(recording, joint, start=plan.cycle if plan else None)
            except CycleFault as one:
                if one.kind is not CycleFaultKind.NONE_FOUND:
                    raise
                fault = one
                continue
            recorded = table, [""], np.zeros(len(table), np.int64)
        gathered.add(*recorded)
    if not gathered.lengths:
        assert fault is not None, "there is at least one recording"
        raise fault
    return gathered.cycles()


class _Gathered:
    """Takes the cycles of one recording after another and makes one table of them.

    A column at a time: of millions of cycles no more than one stands there twice.
    """

    def __init__(self, joint: str, figures: Collection[str]) -> None:
        self._joint, self._wanted = joint, figures
        self.lengths: list[int] = []
        self._heads: dict[str, list[NDArray[Any]]] = {
            name: [] for name in ("start", "end", "kind", "stage")
        }
        self._figures: dict[str, dict[int, Floats]] = {}
        self._stages: dict[str, int] = {}

    def add(self, table: CycleTable, stages: Sequence[str], stage_places: Ints) -> None:
        """Take the cycles of the next recording."""
        codes = [self._stages.setdefault(name, len(self._stages)) for name in stages]
        stage = np.array(codes, np.uint16)[stage_places]
        columns: tuple[NDArray[Any], ...] = (table.start_ns, table.end_ns, table.kind_codes, stage)
        for arrays, column in zip(self._heads.values(), columns, strict=True):
            arrays.append(column)
        for name in table.figures:
            if name in self._wanted:
                self._figures.setdefault(name, {})[len(self.lengths)] = table.figures[name]
        self.lengths.append(len(table))

    def cycles(self) -> CampaignCycles:
        """Return all that were taken; can be called once."""
        heads = {name: np.concatenate(self._heads.pop(name)) for name in list(self._heads)}
        table = CycleTable(
            joint=self._joint,
            start_ns=heads["start"],
            end_ns=heads["end"],
            kind_codes=heads["kind"],
            figures={name: self._figure(self._figures.pop(name)) for name in list(self._figures)},
        )
        return CampaignCycles(table=table, stages=tuple(self._stages), stage_codes=heads["stage"])

    def _figure(self, known: dict[int, Floats]) -> Floats:
        """Return a figure of all recordings; NaN for those that do not have it."""
        return np.concatenate(
            [
                known[number] if number in known else np.full(length, np.nan)
                for number, length in enumerate(self.lengths)
            ]
        )


def _recorded(
    recording: Recording, joint: str, figures: Collection[str]
) -> tuple[CycleTable, list[str], Ints] | None:
    """Return the cycles that stand in a recording, and their stages; None where none do."""
    stream = cycles_stream(joint)
    span = recording.span_ns(stream) if stream in recording.schemas else None
    if span is None:
        return None
    known = [name for name in recording.schemas[stream].names if name in figures]
    columns = ["time", "start", "kind", "stage", *known]
    rows = recording.read_rows(stream, start_ns=span[0], end_ns=span[1] + 1, columns=columns)
    kinds, kind_places = _coded(rows["kind"])
    stages, stage_places = _coded(rows["stage"])
    table = CycleTable(
        joint=joint,
        start_ns=rows["start"].cast("int64").to_numpy(),
        end_ns=rows["time"].cast("int64").to_numpy(),
        kind_codes=kind_codes(CycleKind(text) for text in kinds)[kind_places],
        figures={name: rows[name].to_numpy(zero_copy_only=False) for name in known},
    )
    return table, stages, stage_places


def _coded(column: pa.ChunkedArray) -> tuple[list[str], Ints]:
    """Return the texts that a column has ("" where there is none), and each row's place in them."""
    coded = column.dictionary_encode("encode").combine_chunks()
    texts = [text or "" for text in coded.dictionary.to_pylist()]
    return texts, coded.indices.to_numpy().astype(np.int64)
