"""What routes are given by FastAPI: the recordings, one of them, the body that a page sent.

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
    """Give a server's routes its recordings, and the rule of who may post to it."""
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
"""The recording that the `name` in the address names, up to date; 404 where there is none."""


async def _page_name(x_page: Annotated[str, Header()] = "") -> str:
    return x_page[:PAGE_NAME_MAX]


PageName = Annotated[str, Depends(_page_name)]
"""Which open page asks: a later request of the same page takes the place of an earlier one."""


def json_body(model: type[Model], *, most: int) -> Callable[[Request], Awaitable[Model]]:
    """Return a dependency that gives the body of a page's POST, checked.

    Parameters
    ----------
    model
        What pages send.
    most
        Bytes that it may have. It is counted before anything is parsed.
    """

    async def read_body(request: Request) -> Model:
        return await read_request(request, request.app.state.guard, model, max_bytes=most)

    return read_body
