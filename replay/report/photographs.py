"""The photographs of a report, each with when it was taken, and what else was attached. Pure.

A picture is part of the file, as text of its bytes. It is the only thing in a report that is not
text or drawn by it, and it cannot run anything: see `bare_picture`.
"""

import base64
from collections.abc import Sequence
from typing import Final

from replay.report.attached import AttachedFile, Picture, WhyNot
from replay.report.blocks import table
from replay.report.evidence import ReportEvidence
from replay.report.markup import Markup, element, joined
from replay.report.texts import counted, instant_text

__all__ = ["MOST_REPORT_BYTES", "photographs_section"]

MOST_REPORT_BYTES: Final = 5_900_000
"""Below the 6 MB that a mail is sure to take."""
_FIGURE_BYTES: Final = 1000
"""What stands around a picture."""
_MOST_PHOTOGRAPHS: Final = 200


def photographs_section(evidence: ReportEvidence, taken: int) -> Markup:
    """Return the section of what is attached; nothing where nothing is.

    `taken`: how many bytes the rest of the report has. The smallest pictures go in first.
    """
    files = evidence.attached
    if not files:
        return Markup("")
    shown = _shown(files, MOST_REPORT_BYTES - taken)
    others = [(one, one.why_not or WhyNot.NO_ROOM) for one in files if id(one) not in shown]
    names = {one.folder: one.name for one in evidence.recordings}
    return element(
        "section",
        element("h2", "Photographs" if shown else "Attached files", id="photographs"),
        element("div", *shown.values(), class_="photographs") if shown else "",
        _others(others, names),
        class_="page",
        aria_labelledby="photographs",
    )


def _shown(files: Sequence[AttachedFile], room: int) -> dict[int, Markup]:
    """Return the pictures for which there is room, in order of their times."""
    drawn: dict[int, Markup] = {}
    with_picture = [(one, one.picture) for one in files if one.picture is not None]
    for one, picture in sorted(with_picture, key=lambda pair: len(pair[1].content)):
        # As text, three bytes are four.
        needed = len(picture.content) * 4 // 3 + _FIGURE_BYTES
        if needed > room:
            break
        room -= needed
        drawn[id(one)] = _photograph_figure(one, picture)
    return {id(one): drawn[id(one)] for one in files if id(one) in drawn}


def _photograph_figure(one: AttachedFile, picture: Picture) -> Markup:
    attachment = one.attachment
    when = f"{instant_text(attachment.time_ns)} UTC"
    by = f", attached by {attachment.who}" if attachment.who else ""
    source = f"data:{picture.media_type};base64,{base64.b64encode(picture.content).decode()}"
    return element(
        "figure",
        element("img", src=source, alt=f"Photograph {attachment.name}, {when}"),
        element(
            "figcaption",
            element("b", attachment.name),
            f", {when}, {one.recording}{by}",
        ),
    )


def _others(others: Sequence[tuple[AttachedFile, WhyNot]], names: dict[str, str]) -> Markup:
    rows = [
        (
            one.attachment.name,
            names.get(one.recording, one.recording),
            f"{instant_text(one.attachment.time_ns)}",
            f"{max(one.attachment.size / 1e6, 0.001):.3g} MB",
            why.value,
        )
        for one, why in others[:_MOST_PHOTOGRAPHS]
    ]
    if not rows:
        return Markup("")
    hidden = len(others) - len(rows)
    large = any(why is WhyNot.NO_ROOM for _, why in others)
    return joined(
        element("h3", "Attached, and not shown here"),
        table(
            ("file", "recording", "of (UTC)", "size", "why not"),
            rows,
            caption=f"The first {len(rows)} of {len(others)}" if hidden else "",
            class_="free",
        ),
        element(
            "p",
            f"They are in the folder of the recording: {counted(len(others), 'file')}. A report "
            "stays below 6 MB; a photograph of 1,600 pixels takes 0.5 MB of it."
            if large
            else "They are in the folder of the recording.",
            class_="small",
        ),
    )
