"""What has to keep right while a step is done, as the page shows it. Reads the newest rows."""

from typing import Any, Final

from dashboard.measure.question import AskedMeasurement
from logger.arrays import Floats, to_ns, to_s
from replay.measure.evidence import joint_facts
from replay.measure.progress import StepProgress
from replay.measure.sentence import unit_words
from replay.measure.setup import SpanTrace
from replay.measure.watch import Watched, watch_step
from replay.recording import Recording

__all__ = ["watched_content"]

WINDOW_S: Final = 60.0
MOST_S: Final = 900.0
"""Of a span that is open longer the newest quarter of an hour is judged."""
_CHANNELS: Final = (
    *("torque_Nm", "current_A", "position_rad", "position_output_rad", "speed_rad_s"),
    *("temperature_winding_degC", "temperature_housing_degC"),
)


def watched_content(
    recording: Recording, asked: AskedMeasurement, progress: tuple[StepProgress, ...]
) -> list[dict[str, Any]]:
    """Return what the steps of now have to keep right; nothing of a recording that has ended."""
    keeps = dict.fromkeys(name for one in progress if one.is_now for name in one.step.keeps)
    newest_ns = recording.newest_ns(asked.joint)
    if not recording.live or not keeps or newest_ns is None:
        return []
    opened = [one.begin_s for one in asked.spans if one.end_s is None]
    start_ns = newest_ns - to_ns(WINDOW_S)
    if opened:
        start_ns = max(recording.start_ns + to_ns(min(opened)), newest_ns - to_ns(MOST_S))
    facts = joint_facts(recording, asked.joint)
    found = watch_step(
        tuple(keeps),
        _newest_rows(recording, asked.joint, start_ns, newest_ns + 1),
        rated=facts.rated_torque,
        per_ampere=facts.per_ampere,
        is_open=bool(opened),
    )
    return [_content(one) for one in found]


def _newest_rows(recording: Recording, joint: str, start_ns: int, end_ns: int) -> SpanTrace:
    names = [one for one in _CHANNELS if one in recording.channels(joint)]
    batch = recording.read_readings(joint, start_ns, end_ns, channels=names)
    series: dict[str, tuple[Floats, Floats]] = {}
    for name in names:
        time_ns, values = batch.channel_series(name)
        series[name] = to_s(time_ns - recording.start_ns), values
    return SpanTrace(
        name="now", recording=recording.name, start_ns=start_ns, end_ns=end_ns, series=series
    )


def _content(one: Watched) -> dict[str, Any]:
    value = "" if one.value is None else f"{one.value:.2g}" if abs(one.value) < 100 else "99+"
    return {
        "label": one.label,
        "value": value,
        "unit": unit_words(one.unit),
        "state": "danger" if one.is_grave else "normal" if one.is_right else "abnormal",
        "words": one.words,
    }
