"""Which rows a figure has, and the list in which they are chosen: the same on Live and Replay.

One line of words over the figure, with a button that opens check boxes below it, in place;
`assets/row_choice.mjs` fills them.
"""

from dash import html

from dashboard.pages.attributes import html_attributes

__all__ = ["row_choice_parts"]


def row_choice_parts(page: str) -> list[html.P | html.Fieldset]:
    """Return the line and its list; `page`: the beginning of their ids."""
    return [
        html.P(
            [
                html.Span(id=f"{page}-rows-words", role="status"),
                html.Span("·", **html_attributes({"aria-hidden": "true"})),
                html.Button(
                    "change",
                    id=f"{page}-rows-change",
                    className="plain",
                    **html_attributes(
                        {
                            "aria-label": "Change which rows are shown",
                            "aria-expanded": "false",
                            "aria-controls": f"{page}-rows-list",
                        }
                    ),
                ),
            ],
            id=f"{page}-rows-line",
            className="rows-line",
            hidden=True,
        ),
        html.Fieldset(
            [
                html.Legend("Rows that are shown"),
                html.Ul(id=f"{page}-rows-boxes"),
                html.Button("The usual rows", id=f"{page}-rows-usual", className="plain"),
            ],
            id=f"{page}-rows-list",
            className="rows-list",
            hidden=True,
        ),
    ]
