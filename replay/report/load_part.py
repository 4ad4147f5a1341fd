"""The load of one joint as a recording's section shows it: sentence, figures, windows. Pure."""

from collections.abc import Sequence
from itertools import pairwise

from replay.duty.result import DutyResult
from replay.duty.sentence import duty_parts
from replay.duty.words import duty_line, figure_rows, is_window_shown, window_rows
from replay.report.blocks import answer, table
from replay.report.evidence import JointEvidence
from replay.report.markup import Markup, element, joined
from replay.report.texts import instant_text, with_minus

__all__ = ["load_part"]


def load_part(joint: JointEvidence) -> Markup:
    """Return the load of a joint in figures, or why none can be told of."""
    if joint.duty is None:
        return element("p", joint.no_duty) if joint.no_duty else Markup("")
    return joined(
        element("h4", f"The load of {joint.label}"),
        element("p", answer(duty_parts(joint.duty), tag="span")),
        table(
            ("of its load", "value"),
            [(name, with_minus(text)) for name, text in figure_rows(joint.duty)],
        ),
        table(
            *_without_empty(
                ("window", "highest RMS", "held for as long (95 %)", "share of it", "from (UTC)"),
                _dated_windows(joint.duty),
            ),
            caption=_windows_caption(joint.duty),
        ),
        element("p", duty_line(joint.duty.duty, joint.duty.unit), class_="small"),
    )


def _dated_windows(duty: DutyResult) -> list[tuple[str, ...]]:
    """Return the rows of the command, each instant as everywhere in a report."""
    began = [
        instant_text(one.start_ns) for one in duty.windows if is_window_shown(one.window_s, duty)
    ]
    return [(*row[:-1], at) for row, at in zip(window_rows(duty), began, strict=True)]


def _windows_caption(duty: DutyResult) -> str:
    """Return the caption of the windows; where a longer one is higher, how that can be."""
    words = "The highest RMS of any window of each length"
    shown = [one for one in duty.windows if is_window_shown(one.window_s, duty)]
    if any(after.rms > 1.005 * before.rms for before, after in pairwise(shown)):
        words += (
            ". A longer window can be the higher one: it reaches from one stretch of load to the "
            "next, and no shorter one holds both"
        )
    return words


def _without_empty(
    head: Sequence[str], rows: Sequence[Sequence[str]]
) -> tuple[list[str], list[list[str]]]:
    """Return a table without the columns that say nothing in any row."""
    kept = [at for at in range(len(head)) if any(row[at] != "-" for row in rows)]
    return [head[at] for at in kept], [[row[at] for at in kept] for row in rows]
