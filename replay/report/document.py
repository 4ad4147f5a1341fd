"""The report as one HTML document that needs nothing beside it and runs no script. Pure.

First what a person wants who was not at the bench: what was tested, what holds, what does not, what
was not tested. Then each recording, the findings, and what it all rests on.
"""

from replay.report.basis_page import basis_section, findings_section
from replay.report.blocks import table
from replay.report.evidence import ReportEvidence
from replay.report.front_page import front_page, report_title
from replay.report.markup import Markup, element, joined
from replay.report.photographs import photographs_section
from replay.report.recording_page import recording_section
from replay.report.style import Paper, content_policy, style_sheet
from replay.report.texts import day_text
from replay.sheet.comparison import Comparison
from replay.sheet.words import comparison_line, difference_rows

__all__ = ["report_html"]


def report_html(evidence: ReportEvidence, paper: Paper = Paper.A4) -> str:
    """Return the document of a report."""
    style = style_sheet(paper, evidence.program)
    # Written as it is: its digest in the policy is that of these very bytes.
    head = joined(
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=content_policy(style)),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="referrer", content="no-referrer"),
        element("title", f"{report_title(evidence)}, {day_text(evidence.made_ns)}"),
        element("style", Markup(style)),
    )
    before = joined(
        front_page(evidence),
        *(_comparison(evidence, one) for one in evidence.comparisons),
        *(
            recording_section(recording, number=number)
            for number, recording in enumerate(evidence.recordings, start=1)
        ),
    )
    after = joined(findings_section(evidence), basis_section(evidence))
    taken = sum(len(one.encode()) for one in (head, before, after))
    body = joined(before, photographs_section(evidence, taken), after)
    html = element("html", element("head", head), element("body", element("main", body)), lang="en")
    return f"<!DOCTYPE html>\n{html}\n"


def _comparison(evidence: ReportEvidence, comparison: Comparison) -> Markup:
    labels = {
        sheet.specimen.key: f"{sheet.specimen.label} {sheet.specimen.serial}".rstrip()
        for sheet in evidence.sheets
    }
    return joined(
        element("h2", "Beside each other"),
        element("p", comparison_line(comparison)),
        table(
            ("pair", "quantity", "difference", "more than chance?", "note"),
            difference_rows(comparison, labels),
        ),
    )
