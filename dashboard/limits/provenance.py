"""Where limits that were tried on the page come from, in lines for the top of their file. Pure."""

import textwrap
from collections.abc import Sequence
from typing import Final

from dashboard.text.theme import span_words
from replay.exploring.limit_explorer import Answer
from replay.tuning.choice import total
from replay.tuning.report import bad_end_words
from replay.tuning.sweep_file import BadEnd

__all__ = ["provenance", "without_provenance"]

_BEGINS: Final = "Limits tried by dutytrace"


def provenance(
    answers: Sequence[Answer], said: BadEnd | None, *, version: str, date: str
) -> list[str]:
    """Return the recordings, the bad end and the score, each as far as there is one."""
    if not answers:
        return []
    names = ", ".join(one.recording.path.name for one in answers)
    told = [f"{_BEGINS} {version} on {date}.", f"Recordings: {names}."]
    exact = all(one.exact() for one in answers)
    manner = "evaluated in full" if exact else "from the pyramid's seconds, about"
    alerts = sum(len(one.alerts) for answer in answers for one in answer.told)
    if said is None:
        told.append(f"Together they would have been raised {alerts} times ({manner}).")
    else:
        whole = total([score for one in answers for score in one.scores(said)])
        lead = f", median lead {span_words(whole.median_lead_s)}" if whole.caught else ""
        told += [
            f"Bad end: {bad_end_words(said)}; {whole.bad_ends} of them.",
            f"Together: caught {whole.caught} of {whole.bad_ends}{lead}, {whole.false_per_h:.3g} "
            f"false alerts an hour ({manner}). On the recordings that they were made with; on "
            "others they may do worse.",
        ]
    return [line for one in told for line in textwrap.wrap(one, 96)]


def without_provenance(text: str) -> str:
    """Return a limits file without the lines of `provenance` at its top, where it has them.

    They speak of the limits as they were then; a file that is saved again says how they are now.
    """
    if not text.startswith(f"# {_BEGINS} "):
        return text
    lines = text.splitlines(keepends=True)
    behind = next((n for n, line in enumerate(lines) if not line.startswith("#")), len(lines))
    return "".join(lines[behind:]).lstrip("\r\n")
