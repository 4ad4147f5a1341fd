"""What Replay exports: a span cut out as a recording of its own, and a recording as one file.

A cut is made on a worker thread, one at a time, and ends with the server; its source is only read.
It is a POST, so that a read-only server refuses it. A packed recording is sent while it is read, a
piece at a time: nothing is written, and everybody who can see the pages can have it.
"""

import logging
import threading
from collections.abc import Iterator
from typing import Annotated, Final
from urllib.parse import quote

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.server.dependencies import Recordings, json_body
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError
from logger.store.layout.manifest import read_manifest
from logger.store.tools.cut import CutResult, copy_span
from logger.store.tools.pack import TarStream, packed_file_name, plan_tar

__all__ = ["add_cut_route", "add_pack_route"]

log = logging.getLogger(__name__)

MAX_CUT_REQUEST_BYTES: Final = 4000
CUT_PART_ROWS: Final = 150_000
"""Rows in memory; fewer than a command takes, since the server needs memory for its pages."""
cut_routes = APIRouter()
pack_routes = APIRouter()


class _CutRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    start_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    end_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    name: Annotated[str, Field(max_length=100)] = ""


class Cutter:
    """Cuts spans out, one at a time."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self._busy = threading.Lock()

    def cut(self, request: _CutRequest, recordings: RecordingCache) -> CutResult:
        """Cut a span out as a recording of its own, in the same folder.

        Raises
        ------
        RefusedError
            Another one is being cut out.
        DutytraceError
            It cannot be cut out, or the server began to stop; no folder is left.
        """
        path = recordings.find_path(request.recording)
        if not self._busy.acquire(blocking=False):
            raise RefusedError(409, "Another span is being cut out; try again when that is done.")
        try:
            began = read_manifest(path).started_ns
            return copy_span(
                path,
                start_ns=began + round(request.start_s * 1e9),
                end_ns=began + round(request.end_s * 1e9),
                name=request.name,
                part_rows=CUT_PART_ROWS,
                stop=self._stop,
            )
        finally:
            self._busy.release()


async def _cutter(request: Request) -> Cutter:
    cutter: Cutter = request.app.state.cutter
    return cutter


@cut_routes.post("/api/cut")
def cut_span(
    request: Annotated[_CutRequest, Depends(json_body(_CutRequest, most=MAX_CUT_REQUEST_BYTES))],
    recordings: Recordings,
    cutter: Annotated[Cutter, Depends(_cutter)],
) -> JsonAnswer:
    """Cut a span out and answer its name."""
    cut = cutter.cut(request, recordings)
    return JsonAnswer({"path": cut.path.name, "name": cut.name, "missing": list(cut.missing)})


@pack_routes.get("/api/recordings/{name}/archive")
def send_archive(name: str, recordings: Recordings) -> StreamingResponse:
    """Send a finished recording as one file."""
    path = recordings.find_path(name)
    packed = plan_tar(path)
    headers = {
        "content-length": str(packed.size),
        "content-disposition": f"attachment; filename*=utf-8''{quote(packed_file_name(path))}",
        "cache-control": "no-store",
    }
    return StreamingResponse(
        _archive_chunks(packed), media_type="application/x-tar", headers=headers
    )


def add_cut_route(server: FastAPI, *, stop: threading.Event) -> None:
    """Add the POST that cuts a span out; not called where the pages are read-only.

    `stop` is set when the server begins to stop: a cut that runs then leaves no folder.
    """
    server.state.cutter = Cutter(stop)
    server.include_router(cut_routes)


def add_pack_route(server: FastAPI) -> None:
    """Add the GET that sends a finished recording as one file."""
    server.include_router(pack_routes)


def _archive_chunks(archive: TarStream) -> Iterator[bytes]:
    try:
        yield from archive.read_chunks()
    except DutytraceError as error:
        # The answer has begun: that it ends before its length is how a browser learns of it.
        log.warning("%s", error)
        raise
