"""The jobs of the Limits page (`JobQueue`): exact evaluations and sweeps."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import tomlkit

from dashboard.figures.tradeoff import tradeoff_figure
from dashboard.limits.forms import DROP_OFF_KEYS
from dashboard.limits.question import VariedKey, VaryRequest
from dashboard.server.job_queue import JobContext
from dashboard.text.theme import THEMES
from logger.errors import InputError
from logger.limits.limit import LimitSet, parse_limits
from logger.limits.limits_text import replace_limits_text
from logger.store.layout.manifest import package_versions
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording
from replay.tuning import report
from replay.tuning.executors import run_tasks
from replay.tuning.save import candidate_limits_text
from replay.tuning.sweep import Sweep, parse_sweep
from replay.tuning.sweep_file import BadEnd
from replay.tuning.tune import SweepResult, prepare_sweep, run_sweep

__all__ = [
    "MAX_PAGE_CANDIDATES",
    "compute_exact",
    "page_sweep_text",
    "parse_page_sweep",
    "sweep_limits",
]

MAX_PAGE_CANDIDATES = 5000
"""Candidates of a sweep from the page; the command `tune` takes more."""


def compute_exact(
    explorer: LimitExplorer,
    recordings: Sequence[Recording],
    limits: LimitSet,
    bad_end: BadEnd | None,
    context: JobContext,
) -> dict[str, Any]:
    """Evaluate exactly what the explorer has only approximate results of, and store it there."""
    ends_ns = {str(recording.path): recording.end_ns for recording in recordings}
    tasks = explorer.open_tasks(recordings, limits, bad_end)
    results = run_tasks(tasks, context.executor, progress=context.progress, stop=context.stop)
    by_path = {str(recording.path): recording for recording in recordings}
    for task, alerts in zip(tasks, results, strict=True):
        recording = by_path[str(task.recording)]
        # If another recorder resumed meanwhile, the result is of neither state.
        if alerts is not None and recording.end_ns == ends_ns[str(task.recording)]:
            explorer.store_results(recording, task, alerts)
    return {}


def parse_page_sweep(request: VaryRequest) -> Sweep:
    """Return the sweep that a page requests.

    Raises
    ------
    InputError
        A key that the limit does not have, an empty range, no bad end.
    """
    if not request.recordings:
        raise InputError("recordings: choose at least one that the candidates are evaluated on.")
    bad_end = request.parse_bad_end()
    if bad_end is None:
        raise InputError("bad end: name what a limit should have warned of.")
    count = 1
    for vary in request.vary:
        count *= vary.steps
    if count > MAX_PAGE_CANDIDATES:
        raise InputError(
            f"steps: found {count} combinations, expected at most {MAX_PAGE_CANDIDATES} from here; "
            "dutytrace tune takes more."
        )
    text = replace_limits_text(request.base, request.tables)
    return parse_sweep(page_sweep_text(bad_end, request), parse_limits(text, "limits"), "sweep")


def page_sweep_text(bad_end: BadEnd, request: VaryRequest) -> str:
    """Return the text of a sweep file for the same sweep."""
    vary: list[dict[str, Any]] = []
    for varied in request.vary:
        limit_key = {"limit": varied.limit, "key": varied.key}
        vary += [{**limit_key, "from": varied.start, "to": varied.to, "steps": varied.steps}]
        vary += _drop_off_variation(varied, request)
    return tomlkit.dumps({"format": 1, "bad_end": bad_end.written_keys, "vary": vary})


def _drop_off_variation(vary: VariedKey, request: VaryRequest) -> list[dict[str, Any]]:
    """Return the variation of a varied level's drop-off, which keeps its distance on the page."""
    table = next((entry for entry in request.tables if entry.get("name") == vary.limit), {})
    key = DROP_OFF_KEYS.get(vary.key, "")
    level, drop_off = table.get(vary.key), table.get(key)
    is_varied_itself = any((entry.limit, entry.key) == (vary.limit, key) for entry in request.vary)
    if (
        not isinstance(level, int | float)
        or not isinstance(drop_off, int | float)
        or is_varied_itself
    ):
        return []
    distance = float(f"{drop_off - level:.9g}")
    return [{"limit": vary.limit, "key": key, "values": [distance], "offset_of": vary.key}]


def sweep_limits(
    sweep: Sweep,
    recordings: Sequence[Recording],
    request: VaryRequest,
    context: JobContext,
) -> dict[str, Any]:
    """Score every candidate of a sweep and return the result for the page.

    Raises
    ------
    InputError
        The recordings do not fit the sweep, or each other.
    """
    prepared_sweep = prepare_sweep([item.path for item in recordings], sweep, "limits")
    result = run_sweep(
        prepared_sweep,
        executor=context.executor,
        jobs=context.jobs,
        progress=context.progress,
        stop=context.stop,
    )
    content: dict[str, Any] = {
        "is_complete": result.is_complete,
        "sentences": list(report.sweep_outcome(result).sentences),
    }
    if not result.is_complete or not any(item.caught for item in result.totals):
        return content
    # In each theme: the reader may change it while the figure is shown.
    content["figures"] = {
        name: tradeoff_figure(result, theme=theme) for name, theme in THEMES.items()
    }
    content["points"] = [_tradeoff_point(result, index) for index in range(len(result.totals))]
    content["best"] = list(result.pareto_indices)
    content["chosen"] = result.chosen_index
    content["rows"] = report.pareto_rows(result)
    content["head"] = list(report.PARETO_TABLE_HEAD)
    if result.chosen_index is not None:
        text = replace_limits_text(request.base, request.tables)
        comments = report.choice_provenance(
            result,
            version=package_versions()["dutytrace"],
            date=datetime.now(UTC).strftime("%Y-%m-%d"),
        )
        content["text"] = candidate_limits_text(
            parse_limits(text, "limits"), sweep.candidates[result.chosen_index], comments
        )
    return content


def _tradeoff_point(result: SweepResult, index: int) -> dict[str, Any]:
    candidate = result.request.sweep.candidates[index]
    return {
        "candidate": candidate.number,
        "changes": [
            {"limit": change.limit, "key": change.key, "value": change.value}
            for change in candidate.changes
        ],
    }
