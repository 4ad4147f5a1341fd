"""What all pages share: the head, the choice of the page by its address, the list of keys."""

from collections.abc import Callable, Mapping
from typing import Final

from dash import Dash, Input, Output, dcc, html

from dashboard.pages.attributes import html_attributes
from dashboard.text.units import ANGLE_DISPLAYS, SPEED_DISPLAYS
from logger.joint.quantities import Display

__all__ = ["add_callbacks", "shell_layout"]

_PAGE_LINKS: Final = (
    *(("Live", "/"), ("Replay", "/replay"), ("Limits", "/limits")),
    *(("Heat", "/heat"), ("Measure", "/measure"), ("Data sheet", "/sheet")),
    *(("Campaign", "/campaign"), ("Bus", "/bus"), ("Layout", "/layout")),
)
_WITH_RECORDING: Final = ("/replay", "/heat", "/measure", "/campaign", "/layout", "/bus")
"""Their addresses may end with the recording that they open."""
_KEY_HELP: Final = (
    ("?", "these keys"),
    ("1 to 6", "Live: window from 10 s to the whole test"),
    ("H", "Live: pause the picture, and resume it"),
    ("N", "Live: write a note"),
    ("A", "Live: acknowledge the first alert"),
    ("O", "Live: alerts one by one, and together"),
    ("T", "Live: to the tiles; arrows go on, Enter draws a joint"),
    ("S", "Live: alert sound on and off"),
    ("W", "Live: keep the screen awake, and let it sleep"),
    ("Space", "Replay: play and pause"),
    ("← →", "Replay: step; with Shift, a tenth of the window"),
    ("[ ]", "Replay: previous alert, next alert; with Shift, trip"),
    ("+ −", "Replay: zoom in, zoom out"),
    (", .", "Replay: slower, faster"),
    ("Esc", "Replay: clear the dragged span"),
    ("O", "Replay: overlay another recording"),
    ("J L", "Replay: move the other earlier, later by 1 s; with Shift by 10 s"),
    ("[ ]", "Limits: previous limit, next limit"),
    ("↑ ↓", "Limits: move the level that is reached by Tab; with Shift ten times as far"),
    ("E", "Limits: evaluate exactly"),
    ("B", "Measure: begin a span, and end it when it is done"),
    ("R", "Measure: to the field of the reading"),
    ("[ ]", "Campaign: previous change, next change; Enter opens it in Replay"),
    ("L", "Campaign: at like temperature, or as it came"),
    ("← →", "Bus: previous span, next span; with Shift, a tenth of the picture"),
    ("[ ]", "Bus: previous event, next event"),
    ("+ −", "Bus: zoom in, zoom out"),
    ("F", "Bus: follow the newest"),
    ("B", "Bus: next bus"),
)


def shell_layout() -> html.Div:
    """Return the frame around every page."""
    return html.Div(
        [
            dcc.Location(id="where", refresh=False),
            html.Header(
                [
                    dcc.Link("dutytrace", href="/", className="name"),
                    html.Nav(id="pages-nav", **html_attributes({"aria-label": "Pages"})),
                    html.Span(
                        [
                            html.Button("Units", id="units-open", className="plain"),
                            html.Button(
                                ["Keys ", html.Kbd("?")], id="keys-open", className="plain"
                            ),
                        ],
                        className="aside",
                    ),
                ],
                className="masthead",
            ),
            html.Main(id="page"),
            html.Dialog(
                [
                    html.H2("Keys"),
                    html.Dl(
                        [
                            part
                            for key, does in _KEY_HELP
                            for part in (html.Dt(html.Kbd(key)), html.Dd(does))
                        ]
                    ),
                    html.Button("Close", id="keys-close"),
                ],
                id="keys",
                **html_attributes({"aria-label": "Keys"}),
            ),
            _unit_choices(),
        ]
    )


def _unit_choices() -> html.Dialog:
    def choice(kind: str, words: str, displays: Mapping[str, Display]) -> html.Div:
        buttons = [
            html.Button(
                display.unit,
                **html_attributes(
                    {
                        "data-quantity": kind,
                        "data-unit": key,
                        "aria-pressed": "false",
                        "aria-label": _unit_name(display.unit),
                    }
                ),
            )
            for key, display in displays.items()
        ]
        group = html.Div(
            buttons, className="choices", role="group", **html_attributes({"aria-label": words})
        )
        return html.Div([html.Span(words), group], className="unit")

    return html.Dialog(
        [
            html.H2("Units"),
            choice("position", "Angles", ANGLE_DISPLAYS),
            choice("speed", "Speeds", SPEED_DISPLAYS),
            html.P("Kept in this browser. What is recorded stays in SI.", className="hint"),
            html.Button("Close", id="units-close"),
        ],
        id="units",
        **html_attributes({"aria-label": "Units"}),
    )


def _unit_name(unit: str) -> str:
    """Return a unit in words, for screen readers."""
    return {"°": "degrees", "°/s": "degrees a second"}.get(unit, unit)


def add_callbacks(app: Dash, pages: Mapping[str, Callable[[], html.Div]]) -> None:
    """Put the page at its address."""

    @app.callback(
        Output("page", "children"), Output("pages-nav", "children"), Input("where", "pathname")
    )
    def show(pathname: str | None) -> tuple[html.Div, list[dcc.Link]]:
        page_path = _page_at(pathname or "/")
        links = [
            dcc.Link(title, href=href, className="here" if href == page_path else "")
            for title, href in _PAGE_LINKS
        ]
        page = pages.get(page_path)
        return (page() if page else _not_found_page(page_path)), links


def _page_at(pathname: str) -> str:
    """Return the page of an address, which may end with the recording that it opens."""
    return next(
        (page for page in _WITH_RECORDING if pathname.startswith(page)),
        pathname,
    )


def _not_found_page(pathname: str) -> html.Div:
    return html.Div(
        [
            html.P(f"There is no page at {pathname[:80]}.", className="lede"),
            html.P(dcc.Link("Go to Live", href="/")),
        ],
        className="plate",
    )
