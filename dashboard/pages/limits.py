"""Limits: turn a limit and see at once what it would have raised on real traces.

The skeleton of the page; `assets/limits/` fills it from `dashboard.limits.routes`: callbacks of
Dash would be too slow for a line that is dragged.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["limits_layout"]


def limits_layout(*, writes: bool = True) -> html.Div:
    """Return the skeleton of the page; without `writes` limits cannot be deployed."""
    return html.Div(
        [
            html.Div(id="judge-empty", className="plate", hidden=True),
            html.Article(
                [_limits_head(), _file_controls(writes=writes), _limits_sheet()],
                id="judge-desk",
                className="judging",
                hidden=True,
            ),
            html.Dialog(
                [
                    html.H2("Hand these limits over?"),
                    html.P(id="judge-over-said"),
                    html.Div(
                        [
                            html.Button("Hand over", id="judge-over-yes", className="asked"),
                            html.Button("Leave it", id="judge-over-no"),
                        ],
                        className="does",
                    ),
                ],
                id="judge-over",
                **html_attributes({"aria-label": "Hand over"}),
            ),
        ],
        id="judge",
    )


def _limits_head() -> html.Header:
    return html.Header(
        [
            html.H1("Limits"),
            html.Small("tried on what was recorded; nothing is changed until you hand over"),
            html.Span(
                [
                    html.Span(id="judge-begin", className="choice-of"),
                    html.Label(
                        [
                            "Open a file",
                            html.Span(id="judge-file"),
                        ],
                        className="button plain-file",
                    ),
                ],
                className="end",
            ),
        ]
    )


def _file_controls(*, writes: bool) -> html.Section:
    deploy_buttons = (
        [html.Button("Hand over to a logger", id="judge-hand", hidden=True)] if writes else []
    )
    return html.Section(
        [
            html.Div(
                [html.H2("The limits"), html.Span(id="judge-add", className="choice-of")],
                className="list-head",
            ),
            html.Div(id="judge-limits"),
            html.Div(
                [
                    html.Button("Save as a file", id="judge-save"),
                    *deploy_buttons,
                    html.Small(id="judge-made", role="status"),
                ],
                className="hand-on",
            ),
        ],
        className="file",
        **html_attributes({"aria-label": "Limits"}),
    )


def _limits_sheet() -> html.Div:
    return html.Div(
        [
            html.Div(id="judge-end", className="sentence"),
            html.Details(
                [html.Summary(id="judge-on"), html.Div(id="judge-recordings")],
                id="judge-picker",
            ),
            html.P(id="judge-unanswered", className="notice", role="status", hidden=True),
            html.Div(id="judge-worth", className="worth", role="status"),
            html.Div(id="judge-lanes", className="lanes"),
            html.Section(
                [
                    html.H3(id="judge-curve-title"),
                    html.Div(id="judge-curve", className="picture"),
                    html.Small(
                        "Thick: how long the limit lets a load last (in a joint's own colour where "
                        "the joints are rated differently). Thin: the largest average of each "
                        "joint over any time of that length. Small marks: spans above the setting. "
                        "Where a thin line crosses its thick one, the limit may operate."
                    ),
                ],
                id="judge-curved",
                hidden=True,
            ),
            html.Section(
                [
                    html.H3("Sweep"),
                    html.Div(id="judge-vary"),
                    html.Div(id="judge-sweep-said", role="status", hidden=True),
                    html.P(
                        "Evaluated before the recordings, the bad end or another setting of "
                        "this limit was changed.",
                        id="judge-sweep-aged",
                        className="notice",
                        role="status",
                        hidden=True,
                    ),
                    html.Div(id="judge-trade", className="picture"),
                    html.Div(id="judge-best", className="wide-table"),
                ],
                className="sweep",
                **html_attributes({"aria-label": "Sweep"}),
            ),
        ],
        className="tried",
    )
