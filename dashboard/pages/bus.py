"""Bus: who sends, how often and how loaded the buses are; what was not decoded, and what failed.

The skeleton of the page; `assets/bus/` fills it from `dashboard.bus.routes`, for live recordings
and past ones alike.
"""

from typing import Final

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["bus_layout"]

PICTURE_SPANS: Final = (("5 min", 300), ("1 h", 3600), ("whole recording", 0))
SAMPLE_LENGTHS: Final = (("1 s", 1), ("10 s", 10), ("1 min", 60))


def bus_layout() -> html.Div:
    """Return the page's skeleton."""
    return html.Div(
        [
            html.Div(id="heard-empty", className="plate", hidden=True),
            html.Article(
                [_bus_head(), _bus_caution(), _bus_list(), _bus_figures(), _bus_margin()],
                id="heard-opened",
                className="opened heard waiting",
                hidden=True,
            ),
        ],
        id="heard",
    )


def _bus_head() -> html.Header:
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


def _bus_caution() -> html.Div:
    return html.Div(
        [
            html.P(id="heard-caution", className="caution", hidden=True),
            html.Div(id="heard-lost", className="lost", role="status"),
        ],
        className="across",
    )


def _bus_list() -> html.Section:
    return html.Section(
        id="heard-buses", className="across", **html_attributes({"aria-label": "Buses"})
    )


def _choice_group(label: str, choices: tuple[tuple[str, int], ...], kind: str) -> html.Div:
    return html.Div(
        [
            html.Button(
                text,
                className="choice",
                **html_attributes({f"data-{kind}": str(seconds), "aria-pressed": "false"}),
            )
            for text, seconds in choices
        ],
        className="choices",
        role="group",
        **html_attributes({"aria-label": label}),
    )


def _bus_figures() -> html.Div:
    return html.Div(
        [
            html.Div(
                [
                    _choice_group("Picture", PICTURE_SPANS, "view"),
                    html.Span(id="heard-shown", className="end"),
                ],
                className="sheet-head",
            ),
            html.Div(
                id="heard-rows",
                className="sheet rows",
                role="img",
                **html_attributes(
                    {"aria-label": "Load, frames, errors and losses over the recording"}
                ),
            ),
            _messages_section(),
        ],
        className="figures",
    )


def _messages_section() -> html.Section:
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Heard", id="heard-title"),
                    html.Small(id="heard-span"),
                    html.Div(
                        [
                            _choice_group("Length of the span", SAMPLE_LENGTHS, "length"),
                            html.Button("Earlier", id="heard-earlier", className="plain"),
                            html.Button("Later", id="heard-later", className="plain"),
                            html.Button(
                                "Follow the newest",
                                id="heard-follow",
                                className="plain",
                                **html_attributes({"aria-pressed": "true"}),
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
        **html_attributes({"aria-label": "Senders"}),
    )


def _bus_margin() -> html.Aside:
    return html.Aside(
        [
            html.Section(
                [html.H3("Diagnosis"), html.Div(id="heard-hints", role="status")],
                **html_attributes({"aria-label": "Hints"}),
            ),
            html.Section(
                [html.H3("Not decoded"), html.Div(id="heard-undecoded")],
                **html_attributes({"aria-label": "Not decoded"}),
            ),
            html.Section(
                [html.H3("Events"), html.Div(id="heard-happened")],
                **html_attributes({"aria-label": "Events"}),
            ),
        ],
        className="margin",
    )
