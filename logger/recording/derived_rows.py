"""What is computed of each joint live, as rows of its streams.

Once a second the RMS torque and, of joints with a model of heat, its estimated temperatures; every
ten seconds, while a bus is recorded, a forecast. The same in batches of any size.
"""

import math
from collections.abc import Iterator, Sequence

from logger.arrays import Ints
from logger.heat.fitted import heat_of_joint
from logger.heat.forecast import Passage
from logger.heat.observer import BACK_STEPS, LEFT_STEPS, STEP_S
from logger.heat.watch import ChannelForecast, HeatForecast, HeatWatch, ModelChange
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.limits.limit import LimitSet
from logger.limits.limit_lines import levels_of
from logger.recording.per_second import RmsTorque
from logger.store.layout.files import course_stream, derived_stream, forecast_stream
from logger.store.layout.schema import (
    COURSE_SCHEMA,
    DERIVED_SCHEMA,
    FORECAST_SCHEMA,
    table_of_rows,
)
from logger.store.writing.row_writer import RowWriter

__all__ = ["DerivedRows", "heat_watch", "model_sentence"]

Row = dict[str, object]


def heat_watch(joint: JointSettings, bench: Bench) -> HeatWatch | None:
    """Return what follows a joint's heat; None where it has no model, or not the model's load."""
    hold_ns = bench.hold_times_ns_of(joint)
    fitted = heat_of_joint(joint, hold_ns)
    return None if fitted is None else HeatWatch(fitted, hold_ns)


def model_sentence(label: str, left_s: float) -> str:
    """Return the sentence of a joint that left its model of heat, or is within it again.

    `label`: what people call it. `left_s`: after how long it is within it again; NaN: it left it.
    """
    if math.isnan(left_s):
        return (
            f"{label} has left its model of heat: its temperatures were outside the band for "
            f"{LEFT_STEPS * STEP_S / 60:.0f} min. Cooling, heat or sensor are not as they were; "
            "nothing is forecast meanwhile."
        )
    return (
        f"{label} is within its model of heat again, after {left_s / 60:.0f} min: its temperatures "
        f"were inside the band for {BACK_STEPS * STEP_S / 60:.0f} min."
    )


class DerivedRows:
    """Of all joints of a bench."""

    def __init__(self, bench: Bench, limits: LimitSet, *, forecasts: bool) -> None:
        """Begin; `forecasts`: whether where joints go is forecast."""
        self._torque = {
            joint.name: RmsTorque(hold["torque_Nm"])
            for joint in bench.joints
            if "torque_Nm" in (hold := bench.hold_times_ns_of(joint))
        }
        self._heat = {
            joint.name: _JointHeatRows(joint, bench, watch, forecasts=forecasts)
            for joint in bench.joints
            if (watch := heat_watch(joint, bench)) is not None
        }
        self.set_limits(limits)

    def set_limits(self, limits: LimitSet) -> None:
        """Forecast the time to the levels of these limits from now on."""
        for heat in self._heat.values():
            heat.set_limits(limits)

    def add_readings(self, readings: ReadingBatch) -> None:
        """Take readings of a joint, in order of time."""
        for of_joints in (self._torque, self._heat):
            taker = of_joints.get(readings.joint)
            if taker is not None:
                taker.add_readings(readings)

    def record_marks(self, marks_ns: Ints, writer: RowWriter) -> list[tuple[str, ModelChange]]:
        """Write the rows of whole seconds that are over.

        Returns
        -------
        list
            Joints that left their models of heat meanwhile, or are within them again, and when.
        """
        changes: list[tuple[str, ModelChange]] = []
        for joint in dict.fromkeys((*self._torque, *self._heat)):
            rows: list[Row] = [{"time": mark} for mark in marks_ns.tolist()]
            if joint in self._torque:
                rms = self._torque[joint].rms_at(marks_ns).tolist()
                for row, value in zip(rows, rms, strict=True):
                    row["torque_rms_60s_Nm"] = _finite(value)
            if joint in self._heat:
                estimates = self._heat[joint].record_marks(marks_ns.tolist(), writer)
                for row, estimate in zip(rows, estimates, strict=True):
                    row.update(estimate)
                changes += [(joint, one) for one in self._heat[joint].take_model_changes()]
            writer.append_rows(derived_stream(joint), table_of_rows(rows, DERIVED_SCHEMA))
        return changes


class _JointHeatRows:
    """Follows one joint, and makes rows of what is told of it."""

    def __init__(
        self, joint: JointSettings, bench: Bench, watch: HeatWatch, *, forecasts: bool
    ) -> None:
        self._joint, self._bench, self._watch = joint, bench, watch
        self._forecasts = forecasts
        self._levels: dict[str, tuple[float, ...]] = {}

    def set_limits(self, limits: LimitSet) -> None:
        """Ask for the time to the levels of these limits from now on."""
        channels = self._bench.channels_of(self._joint)
        own = limits.for_joint(self._joint.name, channels, sensor=False)
        levels: dict[str, set[float]] = {}
        for limit in own:
            for level in levels_of(limit, self._joint.rated):
                if level.is_rising:
                    levels.setdefault(level.channel, set()).add(level.pick_up)
        self._levels = {channel: tuple(sorted(found)) for channel, found in levels.items()}

    def add_readings(self, readings: ReadingBatch) -> None:
        """Take readings, in order of time."""
        self._watch.add_readings(readings)

    def take_model_changes(self) -> list[ModelChange]:
        """Return what happened to the joint's model since the last call."""
        return self._watch.take_model_changes()

    def record_marks(self, marks_ns: Sequence[int], writer: RowWriter) -> list[Row]:
        """Return the columns of `derived` at whole seconds; forecasts go to their own streams."""
        rows = []
        for mark_ns in marks_ns:
            estimates, forecast = self._watch.advance(
                mark_ns, self._levels, forecasts=self._forecasts
            )
            row: Row = {}
            for name, one in estimates.items():
                row[f"{name}_estimated_degC"] = one.degC
                row[f"{name}_uncertainty_K"] = one.uncertainty_K
            rows.append(row)
            if forecast is not None:
                self._append_forecast(forecast, writer)
        return rows

    def _append_forecast(self, forecast: HeatForecast, writer: RowWriter) -> None:
        name = self._joint.name
        rows = list(_forecast_rows(forecast))
        writer.append_rows(forecast_stream(name), table_of_rows(rows, FORECAST_SCHEMA))
        course = [row for one in forecast.channels for row in _course_rows(forecast.time_ns, one)]
        if course:
            writer.append_rows(course_stream(name), table_of_rows(course, COURSE_SCHEMA))


def _forecast_rows(forecast: HeatForecast) -> Iterator[Row]:
    outcomes = forecast.outcomes
    head: Row = {
        "time": forecast.time_ns,
        "state": forecast.state.value,
        "since": forecast.since_ns,
        "judged": len(outcomes.judged),
        "held": outcomes.held,
    }
    if not forecast.channels:
        yield head
    for one in forecast.channels:
        low, middle, high = (_finite(value) for value in one.settled_degC)
        yield head | {
            "channel": one.channel,
            "settled_low_degC": low,
            "settled_degC": middle,
            "settled_high_degC": high,
            "load": one.load,
            "period_s": one.period_s or None,
        }
        passages = [(passage, True) for passage in one.rising]
        if one.falling is not None:
            passages.append((one.falling, False))
        for passage, is_rising in passages:
            yield head | {"channel": one.channel, "is_rising": is_rising} | _row_times(passage)


def _row_times(passage: Passage) -> Row:
    return {
        "level_degC": passage.level_degC,
        "probability": passage.probability,
        "soonest_s": _finite(passage.soonest_s),
        "median_s": _finite(passage.median_s),
        "latest_s": _finite(passage.latest_s),
    }


def _course_rows(time_ns: int, one: ChannelForecast) -> Iterator[Row]:
    for ahead_s, (low, middle, high) in zip(
        one.course.ahead_s.tolist(), one.course.degC.tolist(), strict=True
    ):
        yield {
            "time": time_ns,
            "channel": one.channel,
            "ahead_s": ahead_s,
            "low_degC": _finite(low),
            "median_degC": _finite(middle),
            "high_degC": _finite(high),
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
