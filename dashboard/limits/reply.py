"""What the Limits page is answered: what each limit raises, on each recording, and its picture.

Asks `replay.exploring.limit_explorer` and puts the answers into words and shares of a picture;
everything
leaves as JSON can carry it.
"""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import timezone
from itertools import pairwise
from typing import Any, Final

import numpy as np

from dashboard.limits.forms import UNITS, channels_told, kind_of
from dashboard.limits.question import Question
from dashboard.text.theme import LIGHT, MARKS, begun, elapsed, number, span_words, zone
from logger.joint.channels import CHANNELS
from logger.limits.frozen import Frozen
from logger.limits.kind import Kind
from logger.limits.limit import Limit, LimitSet, OfJoint
from logger.limits.words import in_words, label
from replay.evaluation.alert_arrays import Alerts
from replay.exploring.approximate import misses_brief
from replay.exploring.drag_handles import handles_of, measure_unit
from replay.exploring.limit_explorer import BINS, Answer, Desk
from replay.recording import Recording
from replay.tuning.choice import Total, total
from replay.tuning.executors import cores
from replay.tuning.sweep_file import BadEnd

__all__ = ["answered", "drawn_spans", "limit_rows", "worth_words"]

_SPANS: Final = 400
"""Spans of alerts that a picture shows of one joint; those closer than a pixel are one."""


def answered(question: Question, limits: LimitSet, opened: Sequence[Recording], desk: Desk) -> Any:  # noqa: ANN401 - JSON
    """Return the whole answer.

    Raises
    ------
    InputError
        The bad end is none, or is said of what a recording does not have.
    """
    said = question.said()
    chosen = limits.named(question.chosen)
    alone = LimitSet(limits=() if chosen is None else (chosen,))
    asked = limits if question.whole else alone
    with ThreadPoolExecutor(cores()) as pool:
        # Most of a first answer is reading, which threads do side by side.
        answers = list(pool.map(lambda one: desk.answer(one, asked, said), opened))
    told: dict[str, Any] = {
        "limits": limit_rows(limits),
        "forms": [kind_of(table) for table in question.tables],
        "channels": channels_told(_channels(opened)),
        "lanes": [_lane(one, chosen, said, zone(question.offset_min)) for one in answers],
        "bad_end": said is not None,
        "exact": all(one.exact() for one in answers),
        "due": any(one.due() for one in answers),
    }
    if chosen is not None:
        told["chosen"] = _chosen(chosen, opened, desk, question.known)
        told["worth"] = _worth(answers, said, chosen.name)
    if question.whole:
        told["together"] = _worth(answers, said, None)
    return told


def limit_rows(limits: LimitSet) -> list[dict[str, Any]]:
    """Return what the list of limits says of each."""
    return [
        {
            "name": limit.name,
            "mark": MARKS[limit.severity],
            "words": label(limit),
            "sentence": in_words(limit),
            "of": getattr(limit, "joint", None) or "",
        }
        for limit in limits.limits
    ]


def _channels(opened: Sequence[Recording]) -> list[str]:
    found = {
        channel
        for recording in opened
        for joint in recording.joints
        for channel in recording.channels(joint)
    }
    return [name for name in CHANNELS if name in found]


def _lane(
    one: Answer, chosen: Limit | None, said: BadEnd | None, where: timezone
) -> dict[str, Any]:
    """Return what stands beside and in the picture of one recording."""
    recording = one.recording
    start, end = recording.start_ns, recording.end_ns
    length = max(end - start, 1)
    lane: dict[str, Any] = {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "begun": begun(start, where),
        "length_s": length / 1e9,
        "length": elapsed(length / 1e9),
        "exact": one.exact(chosen.name if chosen else None),
        "joints": [
            {
                "joint": told.joint,
                "pen": recording.joints.index(told.joint) % len(LIGHT.pens) + 1,
                "raised": drawn_spans(told.alerts, start, end),
                "bad": [
                    [round((a - start) / length, 5), round((b - start) / length, 5)]
                    for a, b in one.bad_ends.get(told.joint, ())
                ],
            }
            for told in one.told
            if chosen is not None and told.limit.name == chosen.name
        ],
    }
    if chosen is not None:
        lane["worth"] = _worth([one], said, chosen.name)
        first = _first(one, chosen.name)
        lane["first_s"] = None if first is None else round((first - start) / 1e9, 1)
    return lane


def _first(one: Answer, limit: str) -> int | None:
    times = [
        int(told.alerts.raised_ns[0])
        for told in one.told
        if told.limit.name == limit and len(told.alerts)
    ]
    return min(times, default=None)


def _raised(answers: Sequence[Answer], limit: str | None) -> int:
    return sum(
        len(told.alerts)
        for one in answers
        for told in one.told
        if limit is None or told.limit.name == limit
    )


def drawn_spans(alerts: Alerts, start_ns: int, end_ns: int) -> list[list[float]]:
    """Return the spans of alerts as shares of the recording, those that touch in a picture as one.

    An alert shorter than a pixel is as wide as one: none is lost.
    """
    length = max(end_ns - start_ns, 1)
    least = length // 2000
    begin = np.clip(alerts.raised_ns, start_ns, end_ns)
    end = np.clip(np.maximum(alerts.returned_ns, begin + least), start_ns, end_ns)
    if len(begin) == 0:
        return []
    apart = np.flatnonzero(begin[1:] - np.maximum.accumulate(end)[:-1] > least) + 1
    first = np.concatenate(([0], apart))
    last = np.concatenate((apart, [len(begin)])) - 1
    ends = np.maximum.accumulate(end)[last]
    found = [
        [round((int(a) - start_ns) / length, 5), round((int(b) - start_ns) / length, 5)]
        for a, b in zip(begin[first], ends, strict=True)
    ]
    return found if len(found) <= _SPANS else _closer(found)


def _closer(spans: list[list[float]]) -> list[list[float]]:
    """Return at most so many spans, those nearest to each other drawn together."""
    gaps = sorted(
        (after[0] - before[1] for before, after in pairwise(spans)),
        reverse=True,
    )
    least = gaps[_SPANS - 2]
    found = [list(spans[0])]
    for begin, end in spans[1:]:
        if begin - found[-1][1] > least:
            found.append([begin, end])
        else:
            found[-1][1] = max(found[-1][1], end)
    return found


def _chosen(limit: Limit, opened: Sequence[Recording], desk: Desk, known: str) -> dict[str, Any]:
    """Return the picture of what a limit measures, on each joint of each recording."""
    if not isinstance(limit, OfJoint):
        return {"name": limit.name, "why_not": "It watches the recorder itself, not a joint."}
    told: dict[str, Any] = {"name": limit.name, **_scale(limit)}
    told["brief"] = False
    shapes, levels, keys = [], [], []
    for recording in opened:
        mine, lines = [], []
        for joint, own in desk.on(recording, limit):
            mine.append(desk.rough(recording, joint, own).shape)
            told["brief"] |= misses_brief(own)
            keys.append(f"{recording.path.name} {recording.end_ns} {joint}")
            rated = recording.bench.joint(joint).rated
            lines.append(
                [
                    {
                        "key": handle.key,
                        "at": handle.at,
                        "scale": handle.scale,
                        "place": handle.place,
                        "mirrored": handle.mirrored,
                        "off": handle.drop_off,
                    }
                    for handle in handles_of(limit, rated)
                    if math.isfinite(handle.at) and math.isfinite(handle.scale)
                ]
            )
        shapes.append(mine)
        levels.append(lines)
    told["levels"] = levels
    told["drawn"] = str(hash((_measured(limit), *keys)))
    if told["drawn"] != known:
        # A thousand numbers for each joint: only for a page that has not drawn them yet.
        told["shapes"] = [
            [{"low": _numbers(one.low), "high": _numbers(one.high)} for one in mine]
            for mine in shapes
        ]
        told["bins"] = BINS
    return told


def _measured(limit: OfJoint) -> str:
    """Return a text that is the same for limits whose measures look the same."""
    moves = {
        "name", "severity", "on_delay_s", "off_delay_s", "above", "below", "drop_off",
        "above_rated", "below_rated", "drop_off_rated", "outside", "inside", "rise_per_min",
        "drop_off_per_min", "above_percent", "drop_off_percent", "after_s", "setting",
        "setting_rated", "tms", "from_multiple", "contact_s", "magnitude",
    }  # fmt: skip
    return f"{type(limit).__name__} {limit.model_dump_json(exclude=moves)}"


def _scale(limit: OfJoint) -> dict[str, Any]:
    """Return what the picture's axis is of."""
    unit, what = "", label(limit)
    if isinstance(limit, Kind) and limit.needs:
        channel = CHANNELS[limit.needs[0][1]]
        unit, what = UNITS.get(channel.ucum or "", ""), channel.label
    match measure_unit(limit):
        case "per_min":
            return {"unit": f"{'K' if unit == '°C' else unit}/min", "what": f"{what}, rise"}
        case "share":
            return {"unit": "%", "what": "thermal image", "factor": 100.0}
        case "seconds":
            return {"unit": "s", "what": "without a frame"}
        case _:
            away = " from its set-point" if limit.kind == "tracking" else ""
            still = isinstance(limit, Frozen)
            return {"unit": unit, "what": f"{what}{away}", "no_level": still}


def _numbers(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float | None]:
    return [None if math.isnan(one) else float(f"{one:.4g}") for one in values.tolist()]


def _worth(answers: Sequence[Answer], said: BadEnd | None, limit: str | None) -> dict[str, Any]:
    """Return what the alerts of a limit (None: of all together) are worth on some recordings."""
    whole = total([score for one in answers for score in one.scores(said, limit)])
    return worth_words(whole, said, count=_raised(answers, limit))


def worth_words(one: Total, said: BadEnd | None, *, count: int) -> dict[str, Any]:
    """Return what alerts are worth, as numbers in words."""
    told: dict[str, Any] = {"raised": count, "chatters": one.chatters}
    if said is not None:
        told |= {
            "caught": one.caught,
            "bad_ends": one.bad_ends,
            "false": one.false_alerts,
            "false_per_h": _few(one.false_per_h),
            "lead": "–" if math.isnan(one.median_lead_s) else span_words(one.median_lead_s),
            "worst": "–" if math.isnan(one.worst_lead_s) else span_words(one.worst_lead_s),
        }
    if not math.isnan(one.lost_share):
        told["lost"] = f"{number(one.lost_share * 100, 1)} %"
    return told


def _few(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2g}" if value < 10 else f"{value:.0f}"
