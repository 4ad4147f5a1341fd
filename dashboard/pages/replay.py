"""Replay: find the minute at which it went wrong, and which limit caught it.

The skeleton of the page; `assets/replay/` fills it from `dashboard.replay.routes`: callbacks of
Dash would be too slow for a play-head that moves sixty times a second.
"""

from typing import Final

from dash import html

from dashboard.pages.attributes import html_attributes
from dashboard.pages.row_choice import row_choice_parts

__all__ = ["replay_layout"]

REPLAY_WINDOWS: Final = (
    ("1 min", 60),
    ("5 min", 300),
    ("15 min", 900),
    ("1 h", 3600),
    ("whole test", 0),
)
ALIGNMENT_CHOICES: Final = (
    ("start", "start on start"),
    ("event", "event on event"),
    ("hand", "by hand"),
)
_TRANSPORT_BUTTONS: Final = (
    ("before", "i-before", "Previous alert ["),
    ("back", "i-back", "Step back"),
    ("play", "i-play", "Play"),
    ("on", "i-on", "Step on"),
    ("after", "i-after", "Next alert ]"),
)


def replay_layout(*, writes: bool = True) -> html.Div:
    """Return the page's skeleton; without `writes` nothing can be cut out or noted."""
    return html.Div(
        [
            html.Div(id="past-empty", className="plate", hidden=True),
            html.Section(
                [
                    html.Div(
                        [
                            html.H1("Recordings"),
                            html.Small(id="past-said", role="status"),
                            html.Span(id="past-find", className="end"),
                        ],
                        className="list-head",
                    ),
                    html.Div(id="past-list"),
                ],
                id="past-listed",
                className="list",
                hidden=True,
                **html_attributes({"aria-label": "Recordings"}),
            ),
            html.Article(
                [
                    _replay_head(),
                    _hypothetical_notice(),
                    _overlay_controls(),
                    _replay_figures(),
                    _replay_margin(writes=writes),
                ],
                id="past-opened",
                className="opened",
                hidden=True,
            ),
        ],
        id="replay",
    )


def _replay_head() -> html.Header:
    return html.Header(
        [
            html.H2(id="past-name"),
            html.Small(id="past-when"),
            html.Span(
                [
                    html.Button(
                        "Overlay another recording",
                        id="past-lay",
                        className="plain",
                        **html_attributes({"aria-expanded": "false", "aria-controls": "past-over"}),
                    ),
                    html.Button("Copy a link to this view", id="past-link", className="plain"),
                ],
                className="end",
            ),
        ]
    )


def _hypothetical_notice() -> html.P:
    """Return the notice that the limits shown are others than those in force."""
    return html.P(
        [
            html.Span(id="past-judged-words"),
            html.Button("Back to what was recorded", id="past-judged-off", className="plain"),
        ],
        id="past-judged",
        className="judged",
        role="status",
        hidden=True,
    )


def _overlay_controls() -> html.Section:
    """Return the controls of a second recording; `replay/overlay_controls.mjs` fills them."""
    aligned = [
        html.Button(
            words,
            disabled=True,
            **html_attributes({"data-align": how, "aria-pressed": "false"}),
        )
        for how, words in ALIGNMENT_CHOICES
    ]
    return html.Section(
        [
            html.Div(
                [
                    _labelled_control("Over it", "select", "choice"),
                    html.Div(
                        aligned,
                        className="choices",
                        role="group",
                        **html_attributes({"aria-label": "Aligned"}),
                    ),
                    html.Button(
                        "Remove the overlay", id="past-over-off", className="plain", hidden=True
                    ),
                ]
            ),
            html.Div(
                [_labelled_control("Which joint over which", "joints", "joints-choice")],
                id="past-over-joint",
                hidden=True,
            ),
            html.Div(
                [
                    _labelled_control("Event in this recording", "here", "here-choice"),
                    _labelled_control("Event in the overlay", "there", "there-choice"),
                ],
                id="past-over-events",
                hidden=True,
            ),
            html.Div(
                [
                    _labelled_control("Moved later by, in seconds", "shift", "shift-choice"),
                    html.Div(
                        id="past-over-nudges",
                        className="nudges",
                        role="group",
                        **html_attributes({"aria-label": "Move it, in seconds"}),
                    ),
                ],
                id="past-over-hand",
                hidden=True,
            ),
            html.P(id="past-over-said", role="status", hidden=True),
        ],
        id="past-over",
        className="laying",
        hidden=True,
        **html_attributes({"aria-label": "A second recording over it"}),
    )


def _labelled_control(words: str, control: str, class_name: str) -> html.Span:
    return html.Span(
        [
            html.Label(words, htmlFor=f"past-over-{control}"),
            html.Span(id=f"past-over-{class_name}"),
        ],
        className="choice-of",
    )


def _replay_figures() -> html.Div:
    choices = [
        html.Button(
            words,
            className="choice",
            **html_attributes({"data-window": str(seconds), "aria-pressed": "false"}),
        )
        for words, seconds in REPLAY_WINDOWS
    ]
    buttons = [
        html.Button(
            html.I(className=shape),
            id=f"past-{name}",
            className="go" if name == "play" else "",
            title=words,
            **html_attributes({"aria-label": words}),
        )
        for name, shape, words in _TRANSPORT_BUTTONS
    ]
    return html.Div(
        [
            html.Div(
                id="past-strip",
                className="sheet strip",
                role="img",
                **html_attributes({"aria-label": "The whole test; drag to choose a window"}),
            ),
            html.Div(
                [
                    html.Div(
                        choices,
                        className="choices",
                        role="group",
                        **html_attributes({"aria-label": "Window"}),
                    ),
                    html.Span(id="past-window", className="end"),
                ],
                className="sheet-head",
            ),
            *row_choice_parts("past"),
            _drawn_joints(),
            html.P(id="past-laid", className="laid", role="status", hidden=True),
            html.Div(
                id="past-rows",
                className="sheet rows",
                role="img",
                **html_attributes(
                    {"aria-label": "Traces; drag for a span's statistics, wheel to zoom"}
                ),
            ),
            html.Div(
                [
                    *buttons,
                    html.Div(
                        [html.Span(id="past-time"), html.Small(id="past-clock")], className="time"
                    ),
                    html.Div(id="past-speed", className="speed"),
                ],
                className="transport",
            ),
        ],
        className="figures",
    )


def _drawn_joints() -> html.Details:
    """Return which joints are drawn and which could be, where not all are."""
    label = {"aria-label": "Joints that are drawn"}
    return html.Details(
        [
            html.Summary(html.Span(id="past-drawn-words", role="status")),
            html.Div(id="past-joints", className="choices", role="group", **html_attributes(label)),
            html.Button("Draw the most urgent", id="past-urgent", className="plain"),
        ],
        id="past-drawn",
        className="drawn-joints",
        hidden=True,
    )


def _note_form() -> html.Form:
    return html.Form(
        [
            html.Label("Note", id="past-note-label", htmlFor="past-note"),
            html.Div(id="past-note-place", className="entry"),
            html.Button("Write it in", type="submit"),
        ],
        id="past-note-form",
        className="note",
    )


def _counted_heading(text: str, ident: str) -> html.H3:
    """Return a heading; how many there are stands beside it where they are many."""
    return html.H3([text, " ", html.Span(id=ident, className="count")])


def _replay_margin(*, writes: bool) -> html.Aside:
    cut = [html.Button("Cut out this window", id="past-cut")] if writes else []
    return html.Aside(
        [
            html.Section(
                [
                    html.H3("Excursions", id="past-count"),
                    html.Div(id="past-choose", className="choose"),
                    html.Div(id="past-excursions"),
                    html.Small(id="past-more", role="status"),
                    html.Div(id="past-not-judged"),
                ],
                **html_attributes({"aria-label": "Excursions"}),
            ),
            html.Section(
                [
                    _counted_heading("Notes", "past-notes-count"),
                    html.Div(id="past-notes"),
                    *([_note_form()] if writes else []),
                ],
                **html_attributes({"aria-label": "Notes"}),
            ),
            html.Section(
                [
                    _counted_heading("Attached", "past-attachments-count"),
                    html.Div(id="past-attachments"),
                ],
                id="past-attached",
                hidden=True,
                **html_attributes({"aria-label": "Attached files"}),
            ),
            html.Section(
                [
                    _counted_heading("Found out from this", "past-findings-count"),
                    html.Div(id="past-findings"),
                    html.Small(id="past-found-away", role="status"),
                ],
                id="past-found",
                hidden=True,
                **html_attributes({"aria-label": "Findings of this window"}),
            ),
            html.Section(
                id="past-span", role="status", **html_attributes({"aria-label": "Dragged span"})
            ),
            html.Section(
                [
                    *cut,
                    html.A(
                        "Pack as one file",
                        id="past-pack",
                        className="button",
                        href="#",
                        **html_attributes({"download": ""}),
                    ),
                    html.Small(id="past-made", role="status"),
                ],
                id="past-hand-on",
                className="hand-on",
                hidden=True,
                **html_attributes({"aria-label": "Export"}),
            ),
        ],
        className="margin",
    )
