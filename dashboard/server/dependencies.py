"""Dependencies of routes, resolved by FastAPI: the recordings, one of them, the body of a POST.

`provide_services` puts the shared objects of a server where the dependencies find them.
"""

from collections.abc import Awaitable, Callable
from typing import Annotated, TypeVar

from fastapi import Depends, FastAPI, Header, Request
from pydantic import BaseModel

from dashboard.server.json_requests import read_request
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from replay.recording import Recording

__all__ = ["OpenRecording", "PageName", "Recordings", "json_body", "provide_services"]

Model = TypeVar("Model", bound=BaseModel)
PAGE_NAME_MAX = 40


def provide_services(server: FastAPI, *, recordings: RecordingCache, guard: OriginPolicy) -> None:
    """Give the routes of a server its recordings, and the rule of which origins may post to it."""
    server.state.recordings = recordings
    server.state.guard = guard


async def _recordings(request: Request) -> RecordingCache:
    recordings: RecordingCache = request.app.state.recordings
    return recordings


Recordings = Annotated[RecordingCache, Depends(_recordings)]
"""The recordings of the folder that is served."""


def _open_recording(name: str, recordings: Recordings) -> Recording:
    return recordings.open_recording(name)


OpenRecording = Annotated[Recording, Depends(_open_recording)]
"""The recording of the `name` in the address, up to date; 404 if there is none."""


async def _page_name(x_page: Annotated[str, Header()] = "") -> str:
    return x_page[:PAGE_NAME_MAX]


PageName = Annotated[str, Depends(_page_name)]
"""Which open page sent the request: a newer job of the same page replaces its previous one."""


def json_body(model: type[Model], *, most: int) -> Callable[[Request], Awaitable[Model]]:
    """Return a dependency that gives the validated body of a page's POST.

    Parameters
    ----------
    model
        The model of the body.
    most
        Longest body in bytes; checked before anything is parsed.
    """

    async def read_body(request: Request) -> Model:
        return await read_request(request, request.app.state.guard, model, max_bytes=most)

    return read_body
