"""Campaign: what weeks of cycles of a joint have come to, and whether anything changed.

The skeleton of the page; `assets/campaign/` fills it from `dashboard.campaign.routes`.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["campaign_layout"]


def campaign_layout() -> html.Div:
    """Return the skeleton of the page."""
    return html.Div(
        [
            html.Div(id="campaign-empty", className="plate", hidden=True),
            html.Article(
                [
                    _campaign_head(),
                    html.Div(id="campaign-lost", className="lost", role="status"),
                    html.Div(id="campaign-still", role="alert"),
                    html.Div(id="campaign-said", className="answer", role="status"),
                    html.Div(
                        [
                            _picture_section(),
                            html.Div(
                                [
                                    _list_section("news", "Since yesterday"),
                                    _list_section("unknown", "Not known yet"),
                                ],
                                className="beside",
                            ),
                            _list_section("changes", "What changed, and when"),
                            _list_section("both", "Beside another joint"),
                            _list_section("figures", "Each figure over the whole campaign"),
                            _list_section("days", "Day by day"),
                            html.Ul(id="campaign-notes", className="said-list cautions"),
                        ],
                        id="campaign-shown",
                        hidden=True,
                    ),
                ],
                id="campaign-opened",
                className="campaign",
                hidden=True,
            ),
        ],
        id="campaign",
    )


def _campaign_head() -> html.Header:
    return html.Header(
        [
            html.Div(
                [
                    html.H1("Campaign", id="campaign-name"),
                    html.Span(
                        id="campaign-joints",
                        className="choices",
                        role="group",
                        **html_attributes({"aria-label": "Joint"}),
                    ),
                    html.Small(id="campaign-about"),
                    html.Span(
                        [
                            html.Label("Campaign", htmlFor="campaign-select"),
                            html.Span(id="campaign-choice"),
                            html.Button(
                                "Read others with it",
                                id="campaign-others",
                                className="plain",
                                **html_attributes(
                                    {
                                        "aria-expanded": "false",
                                        "aria-controls": "campaign-others-list",
                                    }
                                ),
                            ),
                        ],
                        className="end",
                    ),
                    html.Div(
                        id="campaign-others-list",
                        className="others",
                        role="group",
                        hidden=True,
                        **html_attributes({"aria-label": "Recordings read with it"}),
                    ),
                ],
                className="what",
            ),
            html.Dl(id="campaign-facts", className="facts"),
        ],
        className="record",
    )


def _picture_section() -> html.Section:
    def choice(text: str, shown: str) -> html.Button:
        return html.Button(text, **html_attributes({"data-shown": shown, "aria-pressed": "false"}))

    return html.Section(
        [
            html.Div(
                [
                    html.H2("Figures of each cycle"),
                    html.Span(
                        [choice("at like warmth", ""), choice("as it came", "came")],
                        id="campaign-shown",
                        className="choices",
                        role="group",
                        **html_attributes({"aria-label": "Figures are shown"}),
                    ),
                    html.Small(id="campaign-legend"),
                ],
                className="section-head",
            ),
            html.Div(id="campaign-picture"),
        ],
        **html_attributes({"aria-label": "Figures of each cycle"}),
    )


def _list_section(name: str, title: str) -> html.Section:
    return html.Section(
        [
            html.Div(
                [
                    html.H2(title),
                    html.Small(id=f"campaign-{name}-said"),
                    html.Span(id=f"campaign-{name}-end", className="end"),
                ],
                className="section-head",
            ),
            html.Div(id=f"campaign-{name}", className="wide-table"),
        ],
        id=f"campaign-{name}-section",
        **html_attributes({"aria-label": title}),
    )
