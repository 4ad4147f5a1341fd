"""Measure: a measurement on the bench, step by step, with its uncertainty.

The skeleton of the page; `assets/measure/` fills it from `dashboard.measure.routes`.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["measure_layout"]


def measure_layout() -> html.Div:
    """Return the skeleton of the page."""
    return html.Div(
        [
            html.Div(id="measure-empty", className="plate", hidden=True),
            html.Article(
                [
                    _measure_head(),
                    html.Div(id="measure-lost", className="lost", role="status"),
                    html.Div(id="measure-caution", className="caution", role="note"),
                    html.Div(
                        [
                            html.Ol(
                                id="measure-steps",
                                className="course-steps",
                                **html_attributes({"aria-label": "Steps"}),
                            ),
                            html.Div(id="measure-course", className="course"),
                            html.Div([_work(), _answer_part()], className="bench"),
                            _rests(),
                        ],
                        id="measure-guided",
                        hidden=True,
                    ),
                ],
                id="measure-opened",
                className="measure",
                hidden=True,
            ),
        ],
        id="measure",
    )


def _measure_head() -> html.Header:
    return html.Header(
        [
            html.H1("Measure", id="measure-title"),
            html.Span(id="measure-joints", className="choices", role="group"),
            html.Small(id="measure-from"),
            html.Span(
                [
                    html.Label("Recording", htmlFor="measure-select"),
                    html.Span(id="measure-choice"),
                    html.A("Open it in Replay", id="measure-replay"),
                ],
                className="end",
            ),
            html.Div(
                id="measure-kinds",
                className="choices",
                role="group",
                **html_attributes({"aria-label": "What to measure"}),
            ),
            html.Div(
                id="measure-ways",
                className="choices ways",
                role="group",
                hidden=True,
                **html_attributes({"aria-label": "Which way"}),
            ),
        ]
    )


def _work() -> html.Section:
    """Return what is done now: instruction, the value to be read from the bench, what is typed."""
    return html.Section(
        [
            html.Div(id="measure-do", className="do", role="status"),
            html.Div(id="measure-value", className="value"),
            html.Div(id="measure-watched", className="watch", role="status"),
            html.Div(id="measure-marks", className="marks-of-spans"),
            html.Div(id="measure-noted", className="noted-spans", hidden=True),
            html.Div(id="measure-typed", className="typed"),
            html.Div(id="measure-refused", className="refused", role="alert"),
            html.Ul(id="measure-have", className="said-list have"),
        ],
        className="work",
        **html_attributes({"aria-label": "What to do now"}),
    )


def _answer_part() -> html.Section:
    """Return what there is of an answer: value with interval, picture, what is missing."""
    return html.Section(
        [
            html.Div(id="measure-result", className="result", role="status"),
            html.Div(id="measure-picture"),
            html.Div(
                [
                    html.Div(
                        [html.H2("Seen so far, and still missing")],
                        className="section-head",
                    ),
                    html.Ul(id="measure-missing", className="said-list"),
                ]
            ),
        ],
        className="gives",
        **html_attributes({"aria-label": "What it gives"}),
    )


def _rests() -> html.Div:
    return html.Div(
        [
            html.Section(
                [
                    html.Div([html.H2("From the same readings")], className="section-head"),
                    html.Div(id="measure-quantities", className="wide-table"),
                    html.Div(id="measure-parts", className="wide-table"),
                ],
                **html_attributes({"aria-label": "From the same readings"}),
            ),
            html.Section(
                [
                    html.Div([html.H2("What it rests on")], className="section-head"),
                    html.Ul(id="measure-rests", className="said-list"),
                    html.P(
                        ["The same in a terminal: ", html.Code(id="measure-command")],
                        className="hint",
                    ),
                ],
                **html_attributes({"aria-label": "What it rests on"}),
            ),
        ],
        id="measure-rest",
        className="beside",
        hidden=True,
    )
