"""Data sheet: what a joint's maker says, what was measured, and how sure that is.

The skeleton of the page; `assets/sheet/` fills it from `dashboard.sheet.routes`.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["sheet_layout"]


def sheet_layout() -> html.Div:
    """Return the skeleton of the page."""
    return html.Div(
        [
            html.Div(id="datasheet-empty", className="plate", hidden=True),
            html.Article(
                [
                    _sheet_head(),
                    html.Div(id="datasheet-lost", className="lost", role="status"),
                    html.Div(id="datasheet-said", className="answer", role="status"),
                    html.Div(id="datasheet-rows", className="claims"),
                    html.P(
                        "A claim is met or missed only if the whole 95 % interval lies on one side "
                        "of it, as far as what rounds to it. Right of the line is always better. "
                        "Dotted over the dates: the claim.",
                        id="datasheet-rule",
                        className="hint",
                    ),
                    html.Ul(id="datasheet-notes", className="said-list"),
                    _comparison_section(),
                    _printed_section(),
                ],
                id="datasheet-opened",
                className="data-sheet",
                hidden=True,
            ),
        ],
        id="datasheet",
    )


def _sheet_head() -> html.Header:
    return html.Header(
        [
            html.H1("Data sheet"),
            html.Span(id="datasheet-joints", className="choices", role="group"),
            html.Small(id="datasheet-about"),
            html.Span(
                [
                    html.Button("Save as CSV", id="datasheet-csv", className="plain"),
                    html.Button("Print", id="datasheet-print", className="plain"),
                ],
                className="end",
            ),
        ]
    )


def _comparison_section() -> html.Section:
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Beside others"),
                    html.Span(id="datasheet-beside-choice", className="end"),
                ],
                className="section-head",
            ),
            html.Div(id="datasheet-differences", className="differences"),
            html.P(id="datasheet-beside-rule", className="hint"),
        ],
        id="datasheet-beside",
        hidden=True,
        **html_attributes({"aria-label": "Beside others"}),
    )


def _printed_section() -> html.Section:
    """Return what only paper has: notes for links, what the figures rest on, a place to sign."""
    return html.Section(
        [
            html.Div(
                [html.H2("Notes, and from what"), html.Ol(id="datasheet-numbered")],
            ),
            html.Div(
                [
                    html.H2("What the figures rest on"),
                    html.Ul(id="datasheet-conditions"),
                    html.H2("How it was decided"),
                    html.P(
                        "Met or missed only if the whole 95 % interval lies on one side of the "
                        "claim, as far as what rounds to it. Right of the line is always better; "
                        "the thick line is the claim, the thin ones stand 10 % from it."
                    ),
                    html.H2("Not tested"),
                    html.P(id="datasheet-untested"),
                    html.P("Measured by, date", className="sign"),
                ]
            ),
        ],
        className="printed",
        **html_attributes({"aria-label": "Notes"}),
    )
