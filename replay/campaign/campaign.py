"""What is told of a campaign: stages, days, figures over cycles, what changed since yesterday.

Typed, for the command and for a page. Times are those of the recordings; hours of a figure are
counted from the campaign's beginning, and `running` says how long the joint had run by then.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, to_ns
from logger.campaign.cycle_figures import figure_unit
from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.stage_progress import DAY_NS, watched_figures
from logger.errors import InputError
from logger.joint.channels import channel_named
from logger.store.layout.manifest import iso_utc
from replay.campaign.campaign_cycles import CampaignCycles, RunningHours, read_campaign_cycles
from replay.campaign.campaign_days import (
    HOTTEST_FIGURE,
    CampaignDay,
    StageSpan,
    campaign_days,
    stage_spans,
)
from replay.campaign.cycle_table import taken
from replay.campaign.figure_blocks import BLOCK_H, block_figures
from replay.campaign.figure_trend import Change, FigureTrend, figure_trends
from replay.campaign.plan_end import PlanEnd, plan_end
from replay.recording import Recording
from replay.serials import other_serial

__all__ = ["Campaign", "FigureAnswer", "NewChange", "hour_ns", "read_campaign", "thinned"]

_NS_PER_H: Final = 3.6e12
_TEMPERATURE_STEP_NS: Final = 900_000_000_000
WATCHED_BY_ITSELF: Final = (
    *("cycle_time_s", "rms_torque_Nm", "peak_torque_Nm", "rms_current_A", "friction_Nm"),
    *("friction_A", "peak_temperature_degC", "rms_position_error_rad"),
)
"""Watched where there is no plan that says which."""
_PLACES: Final = ("housing", "winding", "drive")
"""Of the temperatures of a joint that figures are compared by, the first that it reports."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureAnswer:
    """A watched figure in one stage of the plan."""

    stage: str
    """"": there is no plan."""
    unit: str
    """UCUM code."""
    compared_by: str
    """Channel of the temperature at which it is compared; "": none is known."""
    trend: FigureTrend
    as_it_came: Floats
    """Means of the blocks of `trend`, at whatever temperature they had, in the figure's unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewChange:
    """A change that a day ago was not called yet."""

    stage: str
    name: str
    change: Change


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """Recordings of one joint as one campaign."""

    name: str
    joint: str
    label: str
    recordings: tuple[str, ...]
    start_ns: int
    end_ns: int
    cycles: int
    kinds: dict[CycleKind, int]
    usual_cycle_s: float
    running: RunningHours
    stages: tuple[StageSpan, ...]
    days: tuple[CampaignDay, ...]
    figures: tuple[FigureAnswer, ...]
    new_changes: tuple[NewChange, ...]
    """Since a day before the end."""
    newest_day: CampaignDay
    """What happened in the day before the end."""
    plan_end: PlanEnd | None = None
    """When the whole plan ends; None where that cannot be told."""

    @property
    def cycles_since_yesterday(self) -> int:
        """How many ended in the day before the end."""
        return self.newest_day.cycles

    @property
    def hours(self) -> float:
        """How long the joint ran."""
        return float(self.running.hours[-1]) if len(self.running.hours) else 0.0

    @property
    def is_changed(self) -> bool:
        """Whether a change of any figure was called."""
        return any(one.trend.is_changed for one in self.figures)


def read_campaign(
    recordings: Sequence[Recording],
    joint: str,
    *,
    plan: PlanSettings | None = None,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> Campaign:
    """Return what is told of recordings of one joint.

    Parameters
    ----------
    plan
        The plan; None: that which the recordings follow, if they do.

    Raises
    ------
    InputError
        They are of two serials, follow two plans, or overlap.
    CycleFault
        No recording has any cycle.
    """
    ordered = sorted(recordings, key=lambda one: one.start_ns)
    plan = plan or _plan_of(ordered)
    _check_one_campaign(ordered, joint)
    watched = tuple(watched_figures(plan)) if plan else ()
    wanted = {*(watched or WATCHED_BY_ITSELF), HOTTEST_FIGURE}
    cycles = read_campaign_cycles(ordered, joint, plan, wanted, report_progress=report_progress)
    start_ns, end_ns = ordered[0].start_ns, ordered[-1].end_ns
    temperatures = _Temperatures(ordered, joint, start_ns)
    figures = tuple(
        answer
        for one in _watched_stages(plan, cycles)
        for answer in _stage_figures(cycles, one, temperatures)
    )
    earlier = _earlier_figures(figures, plan, cycles, temperatures, until_ns=end_ns - DAY_NS)
    days = campaign_days(ordered, joint, cycles, start_ns, end_ns)
    (newest,) = campaign_days(ordered, joint, cycles, end_ns - DAY_NS, end_ns)
    newest = replace(newest, day=days[-1].day)
    first, running = ordered[0], cycles.running_hours()
    stages = stage_spans(ordered, plan, cycles)
    span_ns = (start_ns, end_ns)
    return Campaign(
        name=plan.name if plan else first.name,
        joint=joint,
        label=first.bench.label_of(joint),
        recordings=tuple(one.name for one in ordered),
        start_ns=start_ns,
        end_ns=end_ns,
        cycles=len(cycles.table),
        kinds=cycles.table.counts,
        usual_cycle_s=cycles.usual_s,
        running=running,
        stages=stages,
        days=days,
        figures=figures,
        new_changes=_new_changes(figures, earlier),
        newest_day=newest,
        plan_end=plan_end(plan, stages, running, cycle_s=cycles.usual_s, span_ns=span_ns),
    )


def thinned(at: Floats, values: Floats, width: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Return a series in at most `width` bins: middle, lowest, mean and highest of each."""
    edges = np.unique(np.linspace(0, len(at), min(width, len(at)) + 1).astype(np.int64))[:-1]
    if not len(edges):
        none = np.empty(0)
        return none, none, none, none
    counts = np.diff(np.append(edges, len(at)))
    return (
        np.add.reduceat(at, edges) / counts,
        np.minimum.reduceat(values, edges),
        np.add.reduceat(values, edges) / counts,
        np.maximum.reduceat(values, edges),
    )


def _plan_of(recordings: Sequence[Recording]) -> PlanSettings | None:
    plans = {one.manifest.plan.strip(): one for one in recordings if one.manifest.plan}
    if len(plans) > 1:
        first, second = list(plans.values())[:2]
        raise InputError(
            f"{second.path}: found another plan than that of {first.path}, expected one campaign. "
            "Name the plan that counts with --plan."
        )
    one = next(iter(plans.values()), None)
    return None if one is None else one.manifest.read_plan(str(one.path))


def _check_one_campaign(recordings: Sequence[Recording], joint: str) -> None:
    if (other := other_serial(recordings, joint)) is not None:
        raise InputError(f"{other.clause}.", where=other.where)
    for before, after in pairwise(recordings):
        if after.start_ns < before.end_ns:
            raise InputError(
                f"{after.path}: begins at {iso_utc(after.start_ns)}, within {before.path} (until "
                f"{iso_utc(before.end_ns)}); expected recordings that follow each other."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    """The figures and cycles of one stage, and how many figures are watched in all."""

    stage: str
    names: tuple[str, ...]
    used: NDArray[np.bool_]
    watched: int


def _watched_stages(plan: PlanSettings | None, cycles: CampaignCycles) -> list[_Chosen]:
    """Return what is watched in each stage, by the whole cycles that ended in it."""
    known = cycles.table.figures
    wanted = [
        (stage.name, [name for name in stage.watch if name in known])
        for stage in (plan.stage if plan else ())
    ]
    if plan is None or not any(cycles.stages):
        # Without stages in the recordings every cycle is of one kind.
        names = list(watched_figures(plan)) if plan else []
        wanted = [("", [name for name in names or WATCHED_BY_ITSELF if name in known])]
    watched = sum(len(names) for _, names in wanted)
    return [
        _Chosen(
            stage=stage,
            names=tuple(names),
            used=cycles.is_whole & cycles.is_within(stage),
            watched=watched,
        )
        for stage, names in wanted
    ]


def _earlier_figures(
    figures: Sequence[FigureAnswer],
    plan: PlanSettings | None,
    cycles: CampaignCycles,
    temperatures: "_Temperatures",
    *,
    until_ns: int,
) -> tuple[FigureAnswer, ...]:
    """Return the figures that changed as they were by the cycles until an instant."""
    changed = {(one.stage, one.trend.name) for one in figures if one.trend.is_changed}
    if not changed:
        return ()
    return tuple(
        answer
        for one in _watched_stages(plan, cycles)
        for answer in _stage_figures(
            cycles,
            replace(
                one,
                names=tuple(name for name in one.names if (one.stage, name) in changed),
                used=one.used & (cycles.table.end_ns <= until_ns),
            ),
            temperatures,
        )
    )


def _stage_figures(
    cycles: CampaignCycles, chosen: _Chosen, temperatures: "_Temperatures"
) -> list[FigureAnswer]:
    """Return the figures of one stage; a temperature is compared by the surroundings."""
    found: dict[str, FigureAnswer] = {}
    used, names = chosen.used, chosen.names
    if not names or not used.any():
        return []
    start_ns = cycles.table.start_ns
    at_h = taken(used, lambda own: (start_ns[own] - temperatures.start_ns) / _NS_PER_H)
    for is_own in (True, False):
        group = [name for name in names if ("temperature" in name) is not is_own]
        if not group:
            continue
        channel, series = temperatures.compared_by(is_own=is_own)
        blocks = block_figures(
            group,
            at_h,
            (cycles.table.figures[name][used] for name in group),
            series,
            runs_in=True,
        )
        trends = figure_trends(blocks, watched=chosen.watched)
        for trend, values in zip(trends, blocks.values.T, strict=True):
            found[trend.name] = FigureAnswer(
                stage=chosen.stage,
                unit=figure_unit(trend.name),
                compared_by=channel,
                trend=trend,
                as_it_came=values[np.isfinite(values)],
            )
    return [found[name] for name in names]


class _Temperatures:
    """What figures of a joint are compared by, each read once."""

    def __init__(self, recordings: Sequence[Recording], joint: str, start_ns: int) -> None:
        self._recordings, self._joint = recordings, joint
        self.start_ns = start_ns
        self._known: dict[bool, tuple[str, tuple[Floats, Floats] | None]] = {}

    def compared_by(self, *, is_own: bool) -> tuple[str, tuple[Floats, Floats] | None]:
        """Return the channel of a temperature, and hours and means of a quarter of an hour of it.

        `is_own`: of the joint, else of its surroundings.
        """
        if is_own not in self._known:
            self._known[is_own] = _temperature_figure(
                self._recordings, self._joint, self.start_ns, is_own=is_own
            )
        return self._known[is_own]


def _temperature_figure(
    recordings: Sequence[Recording], joint: str, start_ns: int, *, is_own: bool
) -> tuple[str, tuple[Floats, Floats] | None]:
    """Return the channel of a temperature, and hours and means of a quarter of an hour of it."""
    source = _temperature_source(recordings[0], joint, is_own=is_own)
    if source is None:
        return "", None
    of_joint, channel = source
    hours, means = [], []
    step_ns = _TEMPERATURE_STEP_NS
    for one in recordings:
        if of_joint not in one.joints or channel not in one.channels(of_joint):
            continue
        begin_ns = one.start_ns // step_ns * step_ns
        end_ns = -(-one.end_ns // step_ns) * step_ns
        buckets = one.read_buckets(of_joint, channel, begin_ns, end_ns, width_ns=step_ns)
        hours.append((buckets.start_ns + step_ns // 2 - start_ns) / _NS_PER_H)
        means.append(buckets.mean)
    if not hours or not sum(len(one) for one in hours):
        return "", None
    return channel, (np.concatenate(hours), np.concatenate(means))


def _temperature_source(
    recording: Recording, joint: str, *, is_own: bool
) -> tuple[str, str] | None:
    def of(one: str, place: str) -> str | None:
        return next(
            (
                name
                for name in recording.channels(one)
                if (channel := channel_named(name)).quantity == "temperature"
                and not channel.setpoint
                and channel.place == place
            ),
            None,
        )

    if is_own:
        own = next((name for place in _PLACES if (name := of(joint, place))), None)
        return None if own is None else (joint, own)
    for one in (joint, *recording.joints):
        if name := of(one, "ambient"):
            return one, name
    return None


def _new_changes(
    figures: Sequence[FigureAnswer], earlier: Sequence[FigureAnswer]
) -> tuple[NewChange, ...]:
    """Return the changes that were not called before."""
    known = {(one.stage, one.trend.name): one.trend.changes for one in earlier}
    return tuple(
        NewChange(stage=one.stage, name=one.trend.name, change=change)
        for one in figures
        for change in one.trend.changes
        if not any(
            change.low_h - BLOCK_H <= before.high_h and before.low_h <= change.high_h + BLOCK_H
            for before in known.get((one.stage, one.trend.name), ())
        )
    )


def hour_ns(campaign: Campaign, hour: float) -> int:
    """Return the instant of an hour of a figure."""
    return campaign.start_ns + to_ns(hour * 3600.0)
