"""Bus: who talks, how often and how loaded the buses are; what was not decoded, and what failed.

The page's skeleton; `assets/heard.js` fills it from the routes of `heard_views`, for a recording
that is being written as for one from long ago.
"""

from typing import Final

from dash import html

from dashboard.pages.attributes import attributes

__all__ = ["layout"]

VIEWS: Final = (("5 min", 300), ("1 h", 3600), ("whole recording", 0))
LENGTHS: Final = (("1 s", 1), ("10 s", 10), ("1 min", 60))


def layout() -> html.Div:
    """Return the page's skeleton."""
    return html.Div(
        [
            html.Div(id="heard-empty", className="plate", hidden=True),
            html.Article(
                [_head(), _caution(), _buses(), _figures(), _margin()],
                id="heard-opened",
                className="opened heard waiting",
                hidden=True,
            ),
        ],
        id="heard",
    )


def _head() -> html.Header:
    return html.Header(
        [
            html.H1("Looking for a recording", id="heard-name"),
            html.Small(id="heard-when"),
            html.Span(
                [
                    html.Span(
                        [
                            html.Label("Recording", htmlFor="heard-select"),
                            html.Span(id="heard-choice"),
                        ],
                        className="choice-of",
                    ),
                    html.A("Open it in Replay", id="heard-replay"),
                ],
                className="end",
            ),
        ]
    )


def _caution() -> html.Div:
    return html.Div(
        [
            html.P(id="heard-caution", className="caution", hidden=True),
            html.Div(id="heard-lost", className="lost", role="status"),
        ],
        className="across",
    )


def _buses() -> html.Section:
    return html.Section(id="heard-buses", className="across", **attributes({"aria-label": "Buses"}))


def _group(words: str, choices: tuple[tuple[str, int], ...], kind: str) -> html.Div:
    return html.Div(
        [
            html.Button(
                text,
                className="choice",
                **attributes({f"data-{kind}": str(seconds), "aria-pressed": "false"}),
            )
            for text, seconds in choices
        ],
        className="choices",
        role="group",
        **attributes({"aria-label": words}),
    )


def _figures() -> html.Div:
    return html.Div(
        [
            html.Div(
                [
                    _group("Picture", VIEWS, "view"),
                    html.Span(id="heard-shown", className="end"),
                ],
                className="sheet-head",
            ),
            html.Div(
                id="heard-rows",
                className="sheet rows",
                role="img",
                **attributes({"aria-label": "Load, frames, errors and losses over the recording"}),
            ),
            _talk(),
        ],
        className="figures",
    )


def _talk() -> html.Section:
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Heard", id="heard-title"),
                    html.Small(id="heard-span"),
                    html.Div(
                        [
                            _group("Length of the span", LENGTHS, "length"),
                            html.Button("Earlier", id="heard-earlier", className="plain"),
                            html.Button("Later", id="heard-later", className="plain"),
                            html.Button(
                                "Follow the newest",
                                id="heard-follow",
                                className="plain",
                                **attributes({"aria-pressed": "true"}),
                            ),
                        ],
                        className="end",
                    ),
                ],
                className="sheet-head",
            ),
            html.P(id="heard-cut", className="caution", hidden=True),
            html.Div(id="heard-talkers", className="wide-table", role="region", tabIndex=0),
        ],
        className="talk",
        **attributes({"aria-label": "Who talked"}),
    )


def _margin() -> html.Aside:
    return html.Aside(
        [
            html.Section(
                [html.H3("What it looks like"), html.Div(id="heard-hints", role="status")],
                **attributes({"aria-label": "Hints"}),
            ),
            html.Section(
                [html.H3("Not decoded"), html.Div(id="heard-undecoded")],
                **attributes({"aria-label": "Not decoded"}),
            ),
            html.Section(
                [html.H3("What happened"), html.Div(id="heard-happened")],
                **attributes({"aria-label": "What happened"}),
            ),
        ],
        className="margin",
    )
