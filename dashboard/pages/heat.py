"""Heat: what a joint bears, for how long, and why one may believe it.

The skeleton of the page; `assets/heat/` fills it from `dashboard.heat.routes`.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["heat_layout"]


def heat_layout() -> html.Div:
    """Return the skeleton of the page."""
    return html.Div(
        [
            html.Div(id="heat-empty", className="plate", hidden=True),
            html.Article(
                [
                    _heat_head(),
                    html.Div(id="heat-lost", className="lost", role="status"),
                    html.Div(id="heat-limits-said", role="status"),
                    html.Div(id="heat-said", className="answer", role="status"),
                    html.Div(_rules(), id="heat-rules", className="rules", hidden=True),
                    _motion(),
                    html.Div(
                        [_curve_section(), _ladder_section(), _numbers(), _assumed()],
                        id="heat-borne",
                        className="borne",
                        hidden=True,
                    ),
                    _duty(),
                    _changes(),
                    _neighbours(),
                    _truth(),
                    html.Div(
                        [_known_section(), _unknown_section()],
                        id="heat-notes",
                        className="beside",
                        hidden=True,
                    ),
                ],
                id="heat-opened",
                className="heat",
                hidden=True,
            ),
        ],
        id="heat",
    )


def _heat_head() -> html.Header:
    return html.Header(
        [
            html.H1("Heat"),
            html.Span(id="heat-joints", className="choices", role="group"),
            html.Small(id="heat-from"),
            html.Button(
                "Fit others with it",
                id="heat-others",
                className="plain",
                **html_attributes({"aria-expanded": "false", "aria-controls": "heat-others-list"}),
            ),
            html.Span(
                [
                    html.Label("Recording", htmlFor="heat-select"),
                    html.Span(id="heat-choice"),
                    html.A("Open it in Replay", id="heat-replay"),
                    html.Button("Limits from this model", id="heat-limits", className="plain"),
                    html.Button(
                        "Try a planned motion",
                        id="heat-motion-open",
                        className="plain",
                        **html_attributes(
                            {"aria-expanded": "false", "aria-controls": "heat-motion"}
                        ),
                    ),
                ],
                className="end",
            ),
            html.Div(
                id="heat-others-list",
                className="others",
                role="group",
                hidden=True,
                **html_attributes({"aria-label": "Further recordings of the joint"}),
            ),
        ]
    )


def _rules() -> list[html.Div]:
    def slider(name: str, words: str) -> html.Div:
        return html.Div(
            [
                html.Label(
                    [html.Span(words, id=f"heat-{name}-words"), html.B(id=f"heat-{name}-at")],
                    htmlFor=f"heat-{name}",
                ),
                html.Span(id=f"heat-{name}-box"),
                html.Small(id=f"heat-{name}-note"),
            ],
            id=f"heat-{name}-rule",
            className="rule",
        )

    def choice(text: str, holding: str) -> html.Button:
        return html.Button(
            text, **html_attributes({"data-holding": holding, "aria-pressed": "false"})
        )

    return [
        slider("room", "ambient"),
        slider("limit", "the housing may reach"),
        html.Div(
            [
                html.Span("the joint is"),
                html.Div(
                    [choice("turning", ""), choice("holding still", "1")],
                    id="heat-holding",
                    className="choices",
                    role="group",
                    **html_attributes({"aria-label": "The joint is"}),
                ),
                html.Small(id="heat-holding-note"),
            ],
            id="heat-holding-rule",
            className="rule",
        ),
        html.Div(
            [
                html.Label("the ambient was", htmlFor="heat-ambient"),
                html.Span(id="heat-ambient-box"),
                html.Div(
                    [
                        html.Label("readings with their times", htmlFor="heat-typed-field"),
                        html.Span(id="heat-typed-box"),
                    ],
                    id="heat-typed",
                    hidden=True,
                ),
            ],
            id="heat-ambient-rule",
            className="rule",
        ),
    ]


def _motion() -> html.Section:
    def field(name: str, words: str) -> html.Div:
        return html.Div(
            [
                html.Label(words, id=f"heat-{name}-words", htmlFor=f"heat-{name}"),
                html.Span(id=f"heat-{name}-box"),
            ],
            className="rule",
        )

    return html.Section(
        [
            _head("A planned motion", "motion-name"),
            html.Div(
                [
                    field("motion-file", "CSV file"),
                    field("factor", "load multiplied by"),
                    field("stretch", "time multiplied by"),
                    field("times", "how often"),
                ],
                className="rules",
            ),
            html.Div(id="heat-motion-answer", className="duty-answer", role="status"),
            html.Ul(id="heat-motion-lines", className="said-list"),
        ],
        id="heat-motion",
        hidden=True,
        **html_attributes({"aria-label": "A planned motion"}),
    )


def _head(title: str, name: str, *more: html.Button) -> html.Div:
    return html.Div(
        [html.H2(title), html.Small(id=f"heat-{name}-said"), *more], className="section-head"
    )


def _curve_section() -> html.Section:
    return html.Section(
        [_head("For how long it holds a load", "curve"), html.Div(id="heat-curve")],
        className="curve",
        **html_attributes({"aria-label": "For how long it holds a load"}),
    )


def _ladder_section() -> html.Section:
    return html.Section(
        [_head("Where the heat goes", "ladder"), html.Div(id="heat-ladder")],
        className="ladder",
        **html_attributes({"aria-label": "Where the heat goes"}),
    )


def _numbers() -> html.Section:
    save = html.Button("Save as CSV", id="heat-csv", className="plain end")
    return html.Section(
        [
            _head("In numbers", "table", save),
            html.Div(id="heat-table", className="wide-table"),
            html.Small(id="heat-table-note"),
            html.H3("For ever, turning and holding still"),
            html.Div(id="heat-for-ever", className="wide-table"),
        ],
        className="numbers",
        **html_attributes({"aria-label": "In numbers"}),
    )


def _assumed() -> html.Section:
    return html.Section(
        [
            _head("What is assumed", "assumed"),
            html.Ul(id="heat-assumed", className="said-list"),
        ],
        className="assumed",
        **html_attributes({"aria-label": "What is assumed"}),
    )


def _duty() -> html.Section:
    return html.Section(
        [
            _head(
                "The load as it was",
                "duty",
                html.Button(
                    "Hold it against an earlier recording",
                    id="heat-by",
                    className="plain end",
                    **html_attributes({"aria-expanded": "false", "aria-controls": "heat-by-list"}),
                ),
            ),
            html.Div(
                id="heat-by-list",
                className="others",
                role="group",
                hidden=True,
                **html_attributes({"aria-label": "Whose joint the load is held against"}),
            ),
            html.Div(id="heat-duty-answer", className="duty-answer"),
            html.Div(
                [
                    html.Section(
                        [
                            html.H3("RMS over every window"),
                            html.Small(id="heat-windows-said"),
                            html.Div(id="heat-windows"),
                        ],
                        **html_attributes({"aria-label": "RMS over every window"}),
                    ),
                    html.Section(
                        [
                            html.H3("Where it works"),
                            html.Small("the area of a square is its share of the time"),
                            html.Div(id="heat-map"),
                        ],
                        id="heat-mapped",
                        **html_attributes({"aria-label": "Where it works"}),
                    ),
                ],
                id="heat-duty-figures",
                className="borne",
            ),
            html.Div(id="heat-duty-windows", className="wide-table"),
            html.Div(
                [
                    html.Div(id="heat-duty-values", className="wide-table"),
                    html.Div(id="heat-duty-ranges", className="wide-table"),
                ],
                className="beside",
            ),
            html.Ul(id="heat-duty-notes", className="said-list"),
        ],
        id="heat-duty",
        hidden=True,
        **html_attributes({"aria-label": "The load as it was"}),
    )


def _changes() -> html.Section:
    return html.Section(
        [_head("What changed", "changes"), html.Ul(id="heat-changes", className="said-list")],
        id="heat-changed",
        hidden=True,
        **html_attributes({"aria-label": "What changed"}),
    )


def _neighbours() -> html.Section:
    return html.Section(
        [
            _head("Which joints warm this one", "neighbours"),
            html.Ul(id="heat-neighbours", className="said-list"),
        ],
        id="heat-warmed",
        hidden=True,
        **html_attributes({"aria-label": "Which joints warm this one"}),
    )


def _truth() -> html.Section:
    return html.Section(
        [
            _head("Does the model tell the truth?", "truth"),
            html.P(
                "Wide: measured. Thin: what the model says from the load alone. Below: measured "
                "less model. Along it: time since the recording began.",
                className="hint",
            ),
            html.Div(id="heat-truth"),
        ],
        id="heat-true",
        className="truth",
        hidden=True,
        **html_attributes({"aria-label": "Does the model tell the truth?"}),
    )


def _known_section() -> html.Section:
    return html.Section(
        [_head("What was found", "known"), html.Div(id="heat-known", className="wide-table")],
        id="heat-known-section",
        **html_attributes({"aria-label": "What was found"}),
    )


def _unknown_section() -> html.Section:
    return html.Section(
        [
            _head("Not known yet", "unknown"),
            html.Ul(id="heat-unknown", className="said-list"),
        ],
        **html_attributes({"aria-label": "Not known yet"}),
    )
