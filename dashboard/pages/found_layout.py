"""Layout: the layout of a drive that nobody has a description of, proposed from its traffic.

The skeleton of the page; `assets/layout/` fills it from `dashboard.found_layout.routes`.
"""

from dash import html
from dash.development.base_component import Component

from dashboard.pages.attributes import html_attributes

__all__ = ["found_layout_page"]


def found_layout_page() -> html.Div:
    """Return the skeleton of the page."""
    return html.Div(
        [
            html.Div(id="found-empty", className="plate", hidden=True),
            html.Article(
                [
                    _found_head(),
                    html.Div(id="found-lost", className="lost", role="status"),
                    html.Div(id="found-caution", className="caution", role="note"),
                    html.Div([_steps_part(), _typed_part()], id="found-guided", className="bench"),
                    html.Div(id="found-refused", className="refused", role="alert"),
                    html.Div(id="found-waits", role="status"),
                    _proposal_part(),
                ],
                id="found-opened",
                className="measure found",
                hidden=True,
            ),
        ],
        id="foundlayout",
    )


def _found_head() -> html.Header:
    return html.Header(
        [
            html.H1("Layout from traffic"),
            html.Small(id="found-from"),
            html.Span(
                [
                    html.Label("Recording", htmlFor="found-select"),
                    html.Span(id="found-choice"),
                    html.A("Open it on Bus", id="found-bus"),
                ],
                className="end",
            ),
        ]
    )


def _section(title: str, *parts: Component) -> html.Section:
    head = html.Div([html.H2(title)], className="section-head")
    return html.Section([head, *parts], **html_attributes({"aria-label": title}))


def _steps_part() -> html.Section:
    return _section(
        "What is done with the joint",
        html.P(
            "Four simple things, one after another, while the recording goes on. Times may be "
            "off by two seconds: the traffic itself corrects them.",
            className="hint",
        ),
        html.Ol(id="found-steps"),
    )


def _typed_part() -> html.Section:
    return _section(
        "What is typed",
        html.Div(id="found-typed", className="typed"),
        html.Div(id="found-does", className="does"),
    )


def _proposal_part() -> html.Div:
    return html.Div(
        [
            _section("Which bits are what", html.Div(id="found-map"), html.Ul(id="found-legend")),
            _section(
                "What the logger would decode",
                html.P(
                    "Solid: decoded with this proposal. Dashed: what physics expects of the "
                    "steps. Where both part, something is wrong.",
                    className="hint",
                ),
                html.Div(id="found-curves"),
            ),
            _section("Value by value", html.Div(id="found-values")),
            _section("Not decided", html.Ul(id="found-undecided", className="said-list")),
            _section("The layout", html.Div(id="found-made")),
        ],
        id="found-proposal",
        hidden=True,
    )
