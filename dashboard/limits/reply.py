"""The reply to the Limits page: what each limit raises on each recording, and its trace.

Takes the results of `replay.exploring.limit_explorer` and returns words, and figures as shares of
their size, that JSON can carry.
"""

import math
from collections import ChainMap
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import tzinfo
from itertools import pairwise
from typing import Any, Final

import numpy as np

from dashboard.drawn_joints import common_pens
from dashboard.figures.pens import NO_PEN, Pens, drawn_text
from dashboard.limits.forms import channels_to_json, form_key
from dashboard.limits.question import LimitsRequest
from dashboard.text.format import (
    format_duration,
    format_elapsed,
    format_number,
    format_short_date_time,
)
from dashboard.text.theme import STATE_BY_SEVERITY
from dashboard.text.zone import reader_zone
from logger.joint.channels import channel_named, in_channel_order
from logger.limits.limit import AnyJointLimit, Limit, LimitSet
from logger.limits.scored_limit import ScoredLimit
from logger.limits.words import describe_limit, limit_label
from replay.evaluation.alert_arrays import AlertArrays
from replay.exploring.approximate import may_miss_short
from replay.exploring.limit_explorer import MEASURE_BINS, ExplorerResult, LimitExplorer
from replay.recording import Recording
from replay.tuning.choice import ScoreTotal, total_score
from replay.tuning.executors import count_cores
from replay.tuning.sweep_file import BadEnd

__all__ = ["build_reply", "limit_rows", "score_texts", "spans_to_draw"]

_MAX_SPANS: Final = 400
"""Most spans of alerts in the figure of one joint; those closer than a pixel are merged."""


def build_reply(
    request: LimitsRequest,
    limits: LimitSet,
    recordings: Sequence[Recording],
    explorer: LimitExplorer,
) -> Any:  # noqa: ANN401 - JSON
    """Return the whole reply, for JSON.

    Raises
    ------
    InputError
        The bad end is invalid, or a recording lacks its joint or channel.
    """
    bad_end = request.parse_bad_end()
    selected = limits.by_name(request.chosen)
    alone = LimitSet(limits=() if selected is None else (selected,))
    limits_to_try = limits if request.whole else alone
    with ThreadPoolExecutor(count_cores()) as pool:
        # Most of a first evaluation is reading, which threads can do at the same time.
        results = list(
            pool.map(
                lambda result: explorer.evaluate_limits(result, limits_to_try, bad_end), recordings
            )
        )
    watched = [
        one.joint
        for result in results
        for one in result.limit_results
        if one.limit.name == request.chosen
    ]
    pens = common_pens(recordings, watched)
    reply: dict[str, Any] = {
        "limits": limit_rows(limits, recordings),
        "forms": [form_key(table) for table in request.tables],
        "channels": channels_to_json(_carried_channels(recordings)),
        "lanes": [
            _recording_lane(result, selected, bad_end, pens, reader_zone(request.zone))
            for result in results
        ],
        "drawn": drawn_text(len({*watched} & {*pens}), len({*watched})),
        "bad_end": bad_end is not None,
        "exact": all(result.is_exact() for result in results),
        "can_be_exact": any(result.can_be_made_exact() for result in results),
    }
    if selected is not None:
        reply["chosen"] = _measure_picture(selected, recordings, explorer, pens, request.shapes_key)
        reply["score"] = _score_on_recordings(results, bad_end, selected.name)
    if request.whole:
        reply["combined_score"] = _score_on_recordings(results, bad_end, None)
    return reply


def limit_rows(limits: LimitSet, recordings: Sequence[Recording]) -> list[dict[str, Any]]:
    """Return the entries of the list of limits; `recordings`: those that they are tried on."""
    labels = dict(ChainMap(*(recording.bench.labels for recording in recordings)))
    return [
        {
            "name": limit.name,
            "mark": STATE_BY_SEVERITY[limit.severity],
            "label": limit_label(limit),
            "sentence": describe_limit(limit, labels) + _not_judged_text(limit, recordings),
            "joint": getattr(limit, "joint", None) or "",
        }
        for limit in limits.limits
    ]


def _not_judged_text(limit: Limit, recordings: Sequence[Recording]) -> str:
    """Return when a limit is not judged on the first joint that it is on; "" where it always is.

    Where no joint reports what it needs it never is.
    """
    if not isinstance(limit, ScoredLimit) or not recordings:
        return ""
    needed = {channel for _, channel in limit.needed_channels}
    for recording in recordings:
        for joint in recording.joints:
            if limit.joint in {None, joint} and needed <= set(recording.channels(joint)):
                condition = limit.not_judged_condition(recording.hold_ns(joint))
                return f"; not judged {condition}" if condition else ""
    return f"; cannot be judged here: its {limit.needed_words} is not reported"


def _carried_channels(recordings: Sequence[Recording]) -> list[str]:
    carried = {
        channel
        for recording in recordings
        for joint in recording.joints
        for channel in recording.channels(joint)
    }
    return [*in_channel_order(carried)]


def _recording_lane(
    result: ExplorerResult,
    selected: Limit | None,
    bad_end: BadEnd | None,
    pens: Pens,
    zone: tzinfo,
) -> dict[str, Any]:
    """Return the lane of one recording: its label, its alerts and its scores."""
    recording = result.recording
    start, end = recording.start_ns, recording.end_ns
    length = max(end - start, 1)
    lane: dict[str, Any] = {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "begun": format_short_date_time(start, zone),
        "length_s": length / 1e9,
        "length": format_elapsed(length / 1e9),
        "exact": result.is_exact(selected.name if selected else None),
        "joints": [
            {
                "joint": limit_result.joint,
                "label": recording.bench.label_of(limit_result.joint),
                "pen": pens.get(limit_result.joint, NO_PEN),
                "raised": spans_to_draw(limit_result.alerts, start, end),
                "bad_ends": [
                    [round((a - start) / length, 5), round((b - start) / length, 5)]
                    for a, b in result.bad_ends.get(limit_result.joint, ())
                ],
            }
            for limit_result in result.limit_results
            if selected is not None and limit_result.limit.name == selected.name
        ],
    }
    if selected is not None:
        lane["score"] = _score_on_recordings([result], bad_end, selected.name)
        first_ns = _first_raise_ns(result, selected.name)
        lane["first_s"] = None if first_ns is None else round((first_ns - start) / 1e9, 1)
    return lane


def _first_raise_ns(result: ExplorerResult, limit: str) -> int | None:
    times = [
        int(limit_result.alerts.raised_ns[0])
        for limit_result in result.limit_results
        if limit_result.limit.name == limit and len(limit_result.alerts)
    ]
    return min(times, default=None)


def _count_alerts(results: Sequence[ExplorerResult], limit: str | None) -> int:
    return sum(
        len(limit_result.alerts)
        for result in results
        for limit_result in result.limit_results
        if limit is None or limit_result.limit.name == limit
    )


def spans_to_draw(alerts: AlertArrays, start_ns: int, end_ns: int) -> list[list[float]]:
    """Return the spans of alerts as shares of the recording, those that touch in a picture as one.

    An alert shorter than a pixel is as wide as one: none is lost.
    """
    length = max(end_ns - start_ns, 1)
    min_gap = length // 2000
    begin = np.clip(alerts.raised_ns, start_ns, end_ns)
    end = np.clip(np.maximum(alerts.returned_ns, begin + min_gap), start_ns, end_ns)
    if len(begin) == 0:
        return []
    breaks = np.flatnonzero(begin[1:] - np.maximum.accumulate(end)[:-1] > min_gap) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(begin)])) - 1
    ends = np.maximum.accumulate(end)[last]
    spans = [
        [round((int(a) - start_ns) / length, 5), round((int(b) - start_ns) / length, 5)]
        for a, b in zip(begin[first], ends, strict=True)
    ]
    return spans if len(spans) <= _MAX_SPANS else _merge_close_spans(spans)


def _merge_close_spans(spans: list[list[float]]) -> list[list[float]]:
    """Return at most so many spans, those nearest to each other drawn together."""
    gaps = sorted(
        (next_span[0] - span[1] for span, next_span in pairwise(spans)),
        reverse=True,
    )
    min_gap = gaps[_MAX_SPANS - 2]
    merged = [list(spans[0])]
    for begin, end in spans[1:]:
        if begin - merged[-1][1] > min_gap:
            merged.append([begin, end])
        else:
            merged[-1][1] = max(merged[-1][1], end)
    return merged


def _measure_picture(
    limit: Limit,
    recordings: Sequence[Recording],
    explorer: LimitExplorer,
    pens: Pens,
    drawn_key: str,
) -> dict[str, Any]:
    """Return the picture of what a limit measures, on each drawn joint of each recording."""
    if not isinstance(limit, AnyJointLimit):
        return {"name": limit.name, "reason": "It watches the recorder itself, not a joint."}
    picture: dict[str, Any] = {"name": limit.name, **_measure_axis(limit)}
    picture["may_miss_short"] = False
    traces_by_recording, levels, keys = [], [], []
    for recording in recordings:
        traces, lines = [], []
        for joint, joint_limit in explorer.limits_by_joint(recording, limit):
            if joint not in pens:
                continue
            traces.append(explorer.approximate_limit(recording, joint, joint_limit).trace)
            picture["may_miss_short"] |= may_miss_short(joint_limit)
            keys.append(f"{recording.path.name} {recording.end_ns} {joint}")
            rated = recording.bench.joint_named(joint).rated
            lines.append(
                [
                    {
                        "key": handle.key,
                        "at": handle.position,
                        "scale": handle.scale,
                        "place": handle.number_index,
                        "mirrored": handle.mirrored,
                        "off": handle.drop_off,
                        "rising": handle.is_rising,
                    }
                    for handle in limit.drag_handles(rated)
                    if math.isfinite(handle.position) and math.isfinite(handle.scale)
                ]
            )
        traces_by_recording.append(traces)
        levels.append(lines)
    picture["levels"] = levels
    picture["shapes_key"] = str(hash((_measure_key(limit), *keys)))
    if picture["shapes_key"] != drawn_key:
        # A thousand numbers for each joint: only for a page that has not drawn them yet.
        picture["shapes"] = [
            [
                {"low": _json_numbers(trace.low), "high": _json_numbers(trace.high)}
                for trace in traces
            ]
            for traces in traces_by_recording
        ]
        picture["bins"] = MEASURE_BINS
    return picture


def _measure_key(limit: AnyJointLimit) -> str:
    """Return a text that is equal for limits whose traces look the same."""
    moves = {
        "name", "severity", "on_delay_s", "off_delay_s", "above", "below", "drop_off",
        "above_rated", "below_rated", "drop_off_rated", "outside", "inside", "rise_per_min",
        "drop_off_per_min", "above_percent", "drop_off_percent", "after_s", "setting",
        "setting_rated", "tms", "from_multiple", "contact_s", "magnitude",
    }  # fmt: skip
    return f"{type(limit).__name__} {limit.model_dump_json(exclude=moves)}"


def _measure_axis(limit: AnyJointLimit) -> dict[str, Any]:
    """Return unit and quantity of the axis of a limit's trace."""
    unit, quantity = "", limit_label(limit)
    if limit.needed_channels:
        channel = channel_named(limit.needed_channels[0][1])
        # The units of the file, not those that the reader chose.
        unit, quantity = channel.of.unit_text, channel.label
    match limit.measure_unit:
        case "per_min":
            return {"unit": f"{'K' if unit == '°C' else unit}/min", "quantity": f"{quantity}, rise"}
        case "share":
            return {"unit": "%", "quantity": "thermal image", "factor": 100.0}
        case "seconds":
            return {"unit": "s", "quantity": "without a frame"}
        case _:
            return {
                "unit": unit,
                "quantity": f"{quantity}{limit.measure_words}",
                "no_level": not limit.has_handles,
            }


def _json_numbers(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float | None]:
    return [None if math.isnan(value) else float(f"{value:.4g}") for value in values.tolist()]


def _score_on_recordings(
    results: Sequence[ExplorerResult], bad_end: BadEnd | None, limit: str | None
) -> dict[str, Any]:
    """Return the score of a limit's alerts (None: of all together) on recordings, in words."""
    total = total_score(
        [score for result in results for score in result.score_joints(bad_end, limit)]
    )
    return score_texts(total, bad_end, count=_count_alerts(results, limit))


def score_texts(total: ScoreTotal, bad_end: BadEnd | None, *, count: int) -> dict[str, Any]:
    """Return a score in words."""
    texts: dict[str, Any] = {"raised": count, "chatters": total.chatters}
    if bad_end is not None:
        texts |= {
            "caught": total.caught,
            "bad_ends": total.bad_ends,
            "false_alerts": total.false_alerts,
            "false_per_h": _two_digits(total.false_per_h),
            "median_lead": "–"
            if math.isnan(total.median_lead_s)
            else format_duration(total.median_lead_s),
            "worst_lead": "–"
            if math.isnan(total.worst_lead_s)
            else format_duration(total.worst_lead_s),
        }
    if not math.isnan(total.lost_share):
        texts["lost_share"] = f"{format_number(total.lost_share * 100, 1)} %"
    return texts


def _two_digits(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2g}" if value < 10 else f"{value:.0f}"
