"""Live: watch a joint through a long test.

The page's skeleton; `assets/live.js` fills it from the live route, since a value that changes ten
times a second has no business in a callback.
"""

from typing import Final

from dash import html

from dashboard.pages.attributes import attributes

__all__ = ["CAUTIONS", "layout"]

WINDOWS: Final = (
    ("10 s", 10, "Last 10 seconds"),
    ("1 min", 60, "Last minute"),
    ("5 min", 300, "Last 5 minutes"),
    ("15 min", 900, "Last 15 minutes"),
    ("1 h", 3600, "Last hour"),
    ("whole test", 0, "Whole test"),
)
_FACTS: Final = (
    ("elapsed", "elapsed", "", "first"),
    ("clock", "clock", "", "second"),
    ("rate", "frames/s", "", ""),
    ("load", "bus load", "%", ""),
    ("disk", "disk left", "h", ""),
    ("open", "alerts open", "", ""),
)
CAUTIONS: Final = (
    "A joint on a bench can strike, crush and burn. Clamp it, and keep clear of the arm's sweep.",
    "Fit a hardware emergency stop that cuts power. This program is not a safety function and must "
    "not be the only thing between a fault and a fire.",
    "Housings above about 48 °C burn on longer contact (guidance after ISO 13732-1).",
    "Follow the maker's instructions and local rules; mains-fed supplies are for qualified people.",
)


def layout(*, writes: bool = True) -> html.Div:
    """Return the page's skeleton; without `writes` there is no place for a note."""
    return html.Div(
        [
            html.Div(id="live-empty", className="plate", hidden=True),
            html.Div(
                [
                    _record(),
                    html.Div(id="live-lost", className="lost", role="status"),
                    html.Div(id="live-alerts", className="alerts", role="status"),
                    html.Div(
                        [html.Div(id="live-ledger", className="ledger"), _sheet(writes=writes)],
                        className="spread",
                    ),
                ],
                id="live-body",
                className="waiting",
            ),
            _cautions(),
        ],
        id="live",
    )


def _record() -> html.Div:
    facts = [
        html.Div(
            [
                html.Dt(words),
                html.Dd([html.Span("–", id=f"fact-{key}"), html.I(unit, className="u")]),
            ],
            className=kind,
        )
        for key, words, unit, kind in _FACTS
    ]
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Looking for a recording", id="live-name"),
                    html.Small(id="live-since", className="since"),
                ],
                className="what",
            ),
            html.Dl(facts, className="facts"),
        ],
        className="record",
    )


def _sheet(*, writes: bool) -> html.Section:
    choices = [
        html.Button(
            words,
            className="choice",
            **attributes(
                {"data-window": str(seconds), "data-title": title, "aria-pressed": "false"}
            ),
        )
        for words, seconds, title in WINDOWS
    ]
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Last 5 minutes", id="live-title"),
                    html.Div(
                        choices,
                        className="choices",
                        role="group",
                        **attributes({"aria-label": "Window"}),
                    ),
                    html.Div(
                        [
                            html.A("Look closer in Replay", id="live-closer", hidden=True),
                            _switch("Alert sound: off", "live-sound"),
                            _switch("Screen awake: off", "live-awake"),
                            html.Button(
                                "Hold the picture",
                                id="live-hold",
                                className="plain",
                                **attributes({"aria-pressed": "false"}),
                            ),
                        ],
                        className="end",
                    ),
                ],
                className="sheet-head",
            ),
            html.P(
                [html.Span(id="live-sound-says"), html.Span(id="live-awake-says")],
                className="senses",
                role="status",
            ),
            html.Div(
                id="live-sheet",
                className="sheet",
                role="img",
                **attributes({"aria-label": "Traces"}),
            ),
            *([_note()] if writes else []),
            html.P(id="live-remarks", className="remarks"),
        ],
        **attributes({"aria-label": "Traces"}),
    )


def _switch(words: str, name: str) -> html.Button:
    """Return a switch whose words say how it stands."""
    return html.Button(
        words,
        id=name,
        className="plain",
        role="switch",
        **attributes({"aria-checked": "false"}),
    )


def _note() -> html.Form:
    return html.Form(
        [
            html.Label("Note", id="live-note-label", htmlFor="live-note"),
            html.Div(id="live-note-place", className="entry"),
            html.Button("Write it in", type="submit"),
        ],
        id="live-note-form",
        className="note",
    )


def _cautions() -> html.Details:
    return html.Details(
        [
            html.Summary(
                "A joint can strike, crush and burn: clamp it, keep clear of its sweep, fit a "
                "hardware emergency stop. This program is not a safety function."
            ),
            html.Ul([html.Li(text) for text in CAUTIONS]),
        ],
        className="cautions",
    )
