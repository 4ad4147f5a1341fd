"""stub."""
from dash import Dash, html
from dashboard.shelf import Shelf
def layout() -> html.Div:
    return html.Div("replay")
def add_callbacks(app: Dash, shelf: Shelf) -> None:
    pass
