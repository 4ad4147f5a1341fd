"""Where limits that were tried on the page come from, in lines for the top of their file. Pure."""

import textwrap
from collections import ChainMap
from collections.abc import Sequence
from typing import Final

from dashboard.text.format import format_duration
from replay.exploring.limit_explorer import ExplorerResult
from replay.tuning.choice import total_score
from replay.tuning.report import describe_bad_end
from replay.tuning.sweep_file import BadEnd

__all__ = ["trial_provenance", "without_provenance"]

_PROVENANCE_START: Final = "Limits tried by dutytrace"


def trial_provenance(
    answers: Sequence[ExplorerResult], bad_end: BadEnd | None, *, version: str, date: str
) -> list[str]:
    """Return the recordings, the bad end and the score, each as far as there is one."""
    if not answers:
        return []
    names = ", ".join(answer.recording.path.name for answer in answers)
    sentences = [f"{_PROVENANCE_START} {version} on {date}.", f"Recordings: {names}."]
    exact = all(answer.is_exact() for answer in answers)
    method = "evaluated in full" if exact else "from the pyramid's seconds, about"
    alerts = sum(len(result.alerts) for answer in answers for result in answer.limit_results)
    if bad_end is None:
        sentences.append(f"Together they would have been raised {alerts} times ({method}).")
    else:
        labels = dict(ChainMap(*(answer.recording.bench.labels for answer in answers)))
        total = total_score([score for answer in answers for score in answer.score_joints(bad_end)])
        lead = f", median lead {format_duration(total.median_lead_s)}" if total.caught else ""
        sentences += [
            f"Bad end: {describe_bad_end(bad_end, labels)}; {total.bad_ends} of them.",
            f"Together: caught {total.caught} of {total.bad_ends}{lead}, {total.false_per_h:.3g} "
            f"false alerts an hour ({method}). On the recordings that they were made with; on "
            "others they may do worse.",
        ]
    return [line for sentence in sentences for line in textwrap.wrap(sentence, 96)]


def without_provenance(text: str) -> str:
    """Return a limits file without the lines of `trial_provenance` at its top, where it has them.

    They describe the limits as they were then; a file that is saved again gets new lines.
    """
    if not text.startswith(f"# {_PROVENANCE_START} "):
        return text
    lines = text.splitlines(keepends=True)
    first_line = next((n for n, line in enumerate(lines) if not line.startswith("#")), len(lines))
    return "".join(lines[first_line:]).lstrip("\r\n")
