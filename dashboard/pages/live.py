"""Live: watch a joint through a long test.

The skeleton of the page; `assets/live/` fills it from the live route: callbacks of Dash would be
too slow for values that change eight times a second.
"""

from typing import Final

from dash import html

from dashboard.pages.attributes import html_attributes
from dashboard.pages.row_choice import row_choice_parts

__all__ = ["SAFETY_NOTES", "live_layout"]

LIVE_WINDOWS: Final = (
    ("10 s", 10, "Newest 10 s"),
    ("1 min", 60, "Newest 1 min"),
    ("5 min", 300, "Newest 5 min"),
    ("15 min", 900, "Newest 15 min"),
    ("1 h", 3600, "Newest 1 h"),
    ("whole test", 0, "Whole test"),
)
_FACT_CELLS: Final = (
    ("elapsed", "elapsed", "", "first"),
    ("clock", "clock", "", "second"),
    ("rate", "frames/s", "", ""),
    ("load", "bus load", "%", ""),
    ("disk", "disk left", "", ""),
    ("open", "alerts open", "", ""),
)
SAFETY_NOTES: Final = (
    "A joint on a bench can strike, crush and burn. Clamp it, and keep clear of the arm's sweep.",
    "Fit a hardware emergency stop that cuts power. This program is not a safety function and must "
    "not be the only thing between a fault and a fire.",
    "Housings above about 48 °C burn on longer contact (guidance after ISO 13732-1).",
    "Follow the maker's instructions and local rules; mains-fed supplies are for qualified people.",
)


def live_layout(*, writes: bool = True) -> html.Div:
    """Return the page's skeleton; without `writes` there is no place for a note."""
    return html.Div(
        [
            html.Div(id="live-empty", className="plate", hidden=True),
            html.Div(
                [
                    _record_bar(),
                    html.Div(id="live-lost", className="lost", role="status"),
                    html.Div(id="live-alerts", className="alerts", role="status"),
                    html.Div(id="live-buses", className="bus-lines", hidden=True),
                    html.Div(
                        [
                            html.Div([html.Div(id="live-ledger", className="ledger"), _tiles()]),
                            _live_sheet(writes=writes),
                        ],
                        className="spread",
                    ),
                ],
                id="live-body",
                className="waiting",
            ),
            _safety_section(),
        ],
        id="live",
    )


def _record_bar() -> html.Div:
    facts = [
        html.Div(
            [
                html.Dt(words),
                html.Dd([html.Span("–", id=f"fact-{key}"), html.I(unit, className="u")]),
            ],
            className=kind,
        )
        for key, words, unit, kind in _FACT_CELLS
    ]
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Looking for a recording", id="live-name"),
                    html.Small(id="live-since", className="since"),
                    html.P(id="live-campaign", className="remarks stage", hidden=True),
                ],
                className="what",
            ),
            html.Dl(facts, className="facts"),
        ],
        className="record",
    )


def _tiles() -> html.Div:
    """Return the place of many joints: tiles in full, and the others below as quiet lines."""
    label = {"aria-label": "Joints, the most urgent first; choose one to draw it"}
    return html.Div(
        [
            html.Div([html.H2("Worst first"), html.Small(className="summary")], className="head"),
            html.Div(className="full"),
            html.Div(
                [html.H3(className="rest"), html.Small(className="rest-note")],
                className="head rest-head",
            ),
            html.Div(className="quiet"),
        ],
        id="live-tiles",
        className="tiles",
        hidden=True,
        role="group",
        **html_attributes(label),
    )


def _live_sheet(*, writes: bool) -> html.Section:
    choices = [
        html.Button(
            words,
            className="choice",
            **html_attributes(
                {"data-window": str(seconds), "data-title": title, "aria-pressed": "false"}
            ),
        )
        for words, seconds, title in LIVE_WINDOWS
    ]
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Newest 5 min", id="live-title"),
                    html.Div(
                        choices,
                        className="choices",
                        role="group",
                        **html_attributes({"aria-label": "Window"}),
                    ),
                    html.Div(
                        [
                            html.A("Look closer in Replay", id="live-closer", hidden=True),
                            _toggle_button("Alert sound: off", "live-sound"),
                            _toggle_button("Screen awake: off", "live-awake"),
                            html.Button(
                                "Hold the picture",
                                id="live-hold",
                                className="plain",
                                **html_attributes({"aria-pressed": "false"}),
                            ),
                        ],
                        className="end",
                    ),
                ],
                className="sheet-head",
            ),
            html.P(
                [
                    html.Span(id="live-drawn"),
                    html.Button("Draw the most urgent", id="live-urgent", className="plain"),
                ],
                id="live-drawing",
                className="drawing",
                role="status",
                hidden=True,
            ),
            html.P(
                [html.Span(id="live-sound-says"), html.Span(id="live-awake-says")],
                className="senses",
                role="status",
            ),
            *row_choice_parts("live"),
            html.Div(
                id="live-sheet",
                className="sheet",
                role="img",
                **html_attributes({"aria-label": "Traces"}),
            ),
            *([_note_form()] if writes else []),
            html.P(id="live-remarks", className="remarks"),
            html.P(id="live-measured", className="remarks"),
        ],
        **html_attributes({"aria-label": "Traces"}),
    )


def _toggle_button(words: str, name: str) -> html.Button:
    """Return a switch whose label gives its state."""
    return html.Button(
        words,
        id=name,
        className="plain",
        role="switch",
        **html_attributes({"aria-checked": "false"}),
    )


def _note_form() -> html.Form:
    return html.Form(
        [
            html.Label("Note", id="live-note-label", htmlFor="live-note"),
            html.Div(id="live-note-place", className="entry"),
            html.Button("Write it in", type="submit"),
        ],
        id="live-note-form",
        className="note",
    )


def _safety_section() -> html.Details:
    return html.Details(
        [
            html.Summary(
                "A joint can strike, crush and burn: clamp it, keep clear of its sweep, fit a "
                "hardware emergency stop. This program is not a safety function."
            ),
            html.Ul([html.Li(text) for text in SAFETY_NOTES]),
        ],
        className="cautions",
    )
