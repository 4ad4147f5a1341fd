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

from dashboard.replay.routes import REPLAY_VIEW_PATH
from dashboard.server.json_requests import RefusedError, error_response, read_request
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError, InputError
from logger.store.layout.manifest import read_manifest
from logger.store.tools.cut import CutResult, copy_span
from logger.store.tools.pack import TarStream, packed_file_name, plan_tar

__all__ = ["CUT_PATH", "add_cut_route", "add_pack_route"]

log = logging.getLogger(__name__)

CUT_PATH: Final = "/cut"
MAX_CUT_REQUEST_BYTES: Final = 4000
CUT_PART_ROWS: Final = 150_000
"""Fewer rows in memory than a command would take: the server has other things in it."""


class _CutRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    start_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    end_s: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    name: Annotated[str, Field(max_length=100)] = ""


def add_cut_route(
    server: FastAPI, cache: RecordingCache, guard: OriginPolicy, *, stop: threading.Event
) -> None:
    """Add the POST that cuts a span out, beside the others in the recordings folder.

    `stop` is set when the server begins to end: a cut that runs then leaves nothing behind.
    """
    busy = threading.Lock()

    def cut_recording(body: _CutRequest) -> CutResult:
        path = cache.find_path(body.recording)
        started_ns = read_manifest(path).started_ns
        return copy_span(
            path,
            start_ns=started_ns + round(body.start_s * 1e9),
            end_ns=started_ns + round(body.end_s * 1e9),
            name=body.name,
            part_rows=CUT_PART_ROWS,
            stop=stop,
        )

    async def post_cut(request: Request) -> JSONResponse:
        try:
            body = await read_request(request, guard, _CutRequest, max_bytes=MAX_CUT_REQUEST_BYTES)
        except RefusedError as refused:
            return refused.to_response()
        if not busy.acquire(blocking=False):
            return error_response(
                409, "Another span is being cut out; try again when that is done."
            )
        try:
            result = await run_in_threadpool(cut_recording, body)
        except InputError as error:
            return error_response(404, str(error))
        except (DutytraceError, OSError) as error:
            return error_response(500, str(error))
        finally:
            busy.release()
        return JSONResponse(
            {"path": result.path.name, "name": result.name, "missing": list(result.missing)}
        )

    server.add_api_route(CUT_PATH, post_cut, methods=["POST"], response_model=None)


def add_pack_route(server: FastAPI, cache: RecordingCache) -> None:
    """Add the GET that sends a finished recording as one file."""

    def get_pack(name: str) -> Response:
        try:
            path = cache.find_path(name)
            pack = plan_tar(path)
        except InputError as error:
            return error_response(404, str(error))
        except OSError as error:
            return error_response(500, str(error))
        headers = {
            "content-length": str(pack.size),
            "content-disposition": f"attachment; filename*=utf-8''{quote(packed_file_name(path))}",
            "cache-control": "no-store",
        }
        return StreamingResponse(
            _stream_pack(pack), media_type="application/x-tar", headers=headers
        )

    server.add_api_route(
        f"{REPLAY_VIEW_PATH}/{{name}}/packed", get_pack, methods=["GET"], response_model=None
    )


def _stream_pack(pack: TarStream) -> Iterator[bytes]:
    try:
        yield from pack.read_chunks()
    except DutytraceError as fault:
        # The answer has begun: that it ends before its length is how a browser learns of it.
        log.warning("%s", fault)
        raise
