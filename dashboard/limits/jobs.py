"""What is worked out beside the pages: exact answers, and sweeps. Plain functions for `Toil`."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import tomlkit

from dashboard.figures.tradeoff import trade_figure
from dashboard.limits.forms import BACK
from dashboard.limits.job_queue import Means
from dashboard.limits.question import Varied, VaryOne
from dashboard.text.theme import THEMES
from logger.errors import InputError
from logger.limits.limit import LimitSet, limits_from
from logger.limits.limits_text import edited_text
from logger.store.layout.manifest import versions
from replay.exploring.limit_explorer import Desk
from replay.recording import Recording
from replay.tuning import report
from replay.tuning.executors import run
from replay.tuning.save import saved_text
from replay.tuning.sweep import Sweep, sweep_from
from replay.tuning.sweep_file import BadEnd
from replay.tuning.tune import Tuned, prepared, tuned

__all__ = ["CANDIDATES_MOST", "exactly", "sweep_of", "sweep_text", "swept"]

CANDIDATES_MOST = 5000
"""Of one sweep from a page; the command takes more."""


def exactly(
    desk: Desk,
    opened: Sequence[Recording],
    limits: LimitSet,
    said: BadEnd | None,
    means: Means,
) -> dict[str, Any]:
    """Work out what the desk has answered roughly so far."""
    ends_ns = {str(recording.path): recording.end_ns for recording in opened}
    work = desk.open_work(opened, limits, said)
    found = run(work, means.executor, progress=means.progress, stop=means.stop)
    by_path = {str(recording.path): recording for recording in opened}
    for task, alerts in zip(work, found, strict=True):
        recording = by_path[str(task.recording)]
        # Somebody may have gone on in it meanwhile: then it is the answer to neither state.
        if alerts is not None and recording.end_ns == ends_ns[str(task.recording)]:
            desk.take(recording, task, alerts)
    return {}


def sweep_of(asked: Varied) -> Sweep:
    """Return the sweep that a page asks for.

    Raises
    ------
    InputError
        A key that the limit does not have, an empty range, no bad end.
    """
    if not asked.recordings:
        raise InputError("recordings: choose at least one that the candidates are judged on.")
    said = asked.said()
    if said is None:
        raise InputError("bad end: say what a limit should have told of before it came.")
    count = 1
    for vary in asked.vary:
        count *= vary.steps
    if count > CANDIDATES_MOST:
        raise InputError(
            f"steps: found {count} combinations, expected at most {CANDIDATES_MOST} from here; "
            "dutytrace tune takes more."
        )
    text = edited_text(asked.base, asked.tables)
    return sweep_from(sweep_text(said, asked), limits_from(text, "limits"), "sweep")


def sweep_text(said: BadEnd, asked: Varied) -> str:
    """Return the same as a sweep file for the command."""
    vary: list[dict[str, Any]] = []
    for one in asked.vary:
        place = {"limit": one.limit, "key": one.key}
        vary += [{**place, "from": one.start, "to": one.to, "steps": one.steps}]
        vary += _follows(one, asked)
    return tomlkit.dumps({"format": 1, "bad_end": said.told, "vary": vary})


def _follows(vary: VaryOne, asked: Varied) -> list[dict[str, Any]]:
    """Return the drop-off of a level that is varied: at the distance that it has on the page."""
    table = next((one for one in asked.tables if one.get("name") == vary.limit), {})
    key = BACK.get(vary.key, "")
    level, back = table.get(vary.key), table.get(key)
    varied = any((one.limit, one.key) == (vary.limit, key) for one in asked.vary)
    if not isinstance(level, int | float) or not isinstance(back, int | float) or varied:
        return []
    apart = float(f"{back - level:.9g}")
    return [{"limit": vary.limit, "key": key, "values": [apart], "offset_of": vary.key}]


def swept(
    sweep: Sweep,
    opened: Sequence[Recording],
    asked: Varied,
    means: Means,
) -> dict[str, Any]:
    """Judge every candidate of a sweep.

    Raises
    ------
    InputError
        The recordings do not fit the sweep, or each other.
    """
    judged = prepared([one.path for one in opened], sweep, "limits")
    found = tuned(
        judged,
        executor=means.executor,
        jobs=means.jobs,
        progress=means.progress,
        stop=means.stop,
    )
    told: dict[str, Any] = {"whole": found.whole, "said": list(report.outcome(found).said)}
    if not found.whole or not any(one.caught for one in found.totals):
        return told
    # In each theme: the reader's may change while it stands there.
    told["figures"] = {name: trade_figure(found, theme=theme) for name, theme in THEMES.items()}
    told["points"] = [_point(found, place) for place in range(len(found.totals))]
    told["best"] = list(found.best)
    told["chosen"] = found.chosen
    told["rows"] = report.best_rows(found)
    told["head"] = list(report.HEAD)
    if found.chosen is not None:
        text = edited_text(asked.base, asked.tables)
        said = report.provenance(
            found, version=versions()["dutytrace"], date=datetime.now(UTC).strftime("%Y-%m-%d")
        )
        told["text"] = saved_text(limits_from(text, "limits"), sweep.candidates[found.chosen], said)
    return told


def _point(found: Tuned, place: int) -> dict[str, Any]:
    candidate = found.asked.sweep.candidates[place]
    return {
        "candidate": candidate.number,
        "changes": [
            {"limit": change.limit, "key": change.key, "value": change.value}
            for change in candidate.changes
        ],
    }
