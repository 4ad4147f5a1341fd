"""What Replay hands on: a span cut out as a recording of its own, and a recording as one file.

A cut is made on a worker thread, one at a time, and ends with the server; the recording that it is
of is only read. It is a POST, so that the gate of a read-only server refuses it. A packed recording
is sent while it is read, a piece at a time: nothing is written, and whoever may see may have it.
"""

import logging
import threading
from collections.abc import Iterator
from typing import Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.replay.routes import PAST_PATH
from dashboard.server.json_requests import RefusedError, fault, posted
from dashboard.server.origin_check import Guard
from dashboard.server.recording_cache import Shelf
from logger.errors import DutytraceError, InputError
from logger.store.layout.manifest import read_manifest
from logger.store.tools.cut import CutOut, cut_out
from logger.store.tools.pack import Pack, file_name, pack_of

__all__ = ["CUT_PATH", "add_cut_route", "add_pack_route"]

log = logging.getLogger(__name__)

CUT_PATH: Final = "/cut"
BODY_MOST: Final = 4000
PART_ROWS: Final = 150_000
"""Fewer rows in memory than a command would take: the server has other things in it."""


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    start_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    end_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    name: Annotated[str, Field(max_length=100)] = ""


def add_cut_route(server: FastAPI, shelf: Shelf, guard: Guard, *, stop: threading.Event) -> None:
    """Add the POST that cuts a span out, beside the others in the recordings folder.

    `stop` is set when the server begins to end: a cut that runs then leaves nothing behind.
    """
    busy = threading.Lock()

    def made(asked: _Asked) -> CutOut:
        path = shelf.path(asked.recording)
        began = read_manifest(path).started_ns
        return cut_out(
            path,
            start_ns=began + round(asked.start_s * 1e9),
            end_ns=began + round(asked.end_s * 1e9),
            name=asked.name,
            part_rows=PART_ROWS,
            stop=stop,
        )

    async def cut(request: Request) -> JSONResponse:
        try:
            asked = await posted(request, guard, _Asked, most=BODY_MOST)
        except RefusedError as refused:
            return refused.answer()
        if not busy.acquire(blocking=False):
            return fault(409, "Another span is being cut out; try again when that is done.")
        try:
            found = await run_in_threadpool(made, asked)
        except InputError as wrong:
            return fault(404, str(wrong))
        except (DutytraceError, OSError) as wrong:
            return fault(500, str(wrong))
        finally:
            busy.release()
        return JSONResponse(
            {"path": found.path.name, "name": found.name, "missing": list(found.missing)}
        )

    server.add_api_route(CUT_PATH, cut, methods=["POST"], response_model=None)


def add_pack_route(server: FastAPI, shelf: Shelf) -> None:
    """Add the GET that sends a finished recording as one file."""

    def packed(name: str) -> Response:
        try:
            path = shelf.path(name)
            planned = pack_of(path)
        except InputError as wrong:
            return fault(404, str(wrong))
        except OSError as wrong:
            return fault(500, str(wrong))
        headers = {
            "content-length": str(planned.size),
            "content-disposition": f"attachment; filename*=utf-8''{quote(file_name(path))}",
            "cache-control": "no-store",
        }
        return StreamingResponse(_told(planned), media_type="application/x-tar", headers=headers)

    server.add_api_route(
        f"{PAST_PATH}/{{name}}/packed", packed, methods=["GET"], response_model=None
    )


def _told(planned: Pack) -> Iterator[bytes]:
    try:
        yield from planned.chunks()
    except DutytraceError as fault:
        # The answer has begun: that it ends before its length is how a browser learns of it.
        log.warning("%s", fault)
        raise
