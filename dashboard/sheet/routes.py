"""The route that the Data sheet page reads from. GET and without any effect."""

from typing import Annotated

from fastapi import APIRouter, FastAPI, Query
from pydantic import Field

from dashboard.server.dependencies import Recordings
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.queries import ZoneQuery
from dashboard.sheet.view import sheet_view
from replay.sheet.specimens import SpecimenList, find_specimens

__all__ = ["add_sheet_routes"]

sheet_routes = APIRouter(prefix="/api")
_NOTHING = SpecimenList(specimens=(), notes=())


class SheetQuery(ZoneQuery):
    """Which specimen, and which beside it."""

    joint: str = ""
    """Its key: serial, or name; the first one where there is none of that key."""
    other: list[str] = Field(default_factory=list, max_length=50)
    """Keys of those that are put beside it."""


@sheet_routes.get("/sheet")
def show_sheet(recordings: Recordings, query: Annotated[SheetQuery, Query()]) -> JsonAnswer:
    """Answer what the page shows of the specimens of the folder."""
    folder = recordings.folder
    listed = find_specimens(folder) if folder.is_dir() else _NOTHING
    content = sheet_view(listed, joint=query.joint, others=query.other, zone=query.time_zone)
    return JsonAnswer({"folder": folder.name, **content})


def add_sheet_routes(server: FastAPI) -> None:
    """Add the route; it runs on a worker thread, since it reads the disk."""
    server.include_router(sheet_routes)
