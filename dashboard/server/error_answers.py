"""The answer when a route raises: a status and a sentence, never a traceback.

RefusedError             its own status
InputError               404 to a GET (the address names what is not there), 400 to a POST
RecordingNotFoundError   404
another DutytraceError   500
OSError                  500: of a recording, or of another file of this server
MemoryError              503
what FastAPI refuses     422
an unknown address       404, of the addresses below /api/; all others are pages
"""

import logging
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response

from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError, error_response, fault_of
from dashboard.server.recording_cache import RecordingCache, RecordingNotFoundError
from logger.errors import DutytraceError, InputError

__all__ = ["add_error_handlers", "add_unknown_address_route"]

log = logging.getLogger(__name__)

API_PREFIX: Final = "/api/"
_METHODS: Final = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]


def add_error_handlers(server: FastAPI) -> None:
    """Answer what the routes of a server raise, as the module's table says.

    The server must have its recordings already (`dependencies.provide_services`).
    """
    for kind, answer in (
        (RefusedError, _answer_refused),
        (RecordingNotFoundError, _answer_not_found),
        (InputError, _answer_input),
        (DutytraceError, _answer_dutytrace),
        (OSError, _answer_unreadable),
        (MemoryError, _answer_no_memory),
        (RequestValidationError, _answer_validation),
    ):
        server.add_exception_handler(kind, _of_requests(answer))


def add_unknown_address_route(server: FastAPI) -> None:
    """Answer every address below /api/ that no other route answers.

    Must be called after all other routes were added: the first that matches answers. Without it
    such a request would reach Dash, which answers any address with a page and status 200.
    """

    async def answer_unknown(request: Request) -> JsonAnswer:
        # "../.." as the name of a recording holds slashes, so it reaches no route of one.
        if request.method == "GET" and ".." in request.url.path.split("/"):
            return error_response(404, "There is no recording of that name.")
        return error_response(
            404, f"This server answers nothing at {request.method} {request.url.path[:200]}."
        )

    server.add_api_route(
        f"{API_PREFIX}{{rest:path}}", answer_unknown, methods=_METHODS, response_model=None
    )


def _of_requests(
    answer: Callable[[Request, Exception], JsonAnswer],
) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handle(request: Request, error: Exception) -> Response:
        if request.scope["type"] != "http":
            # A websocket cannot be answered so: the server logs the error and closes it.
            raise error
        return answer(request, error)

    return handle


def _answer_refused(_request: Request, error: Exception) -> JsonAnswer:
    assert isinstance(error, RefusedError)
    return error.to_response()


def _answer_not_found(_request: Request, error: Exception) -> JsonAnswer:
    return error_response(404, str(error))


def _answer_input(request: Request, error: Exception) -> JsonAnswer:
    assert isinstance(error, InputError)
    return fault_of(404 if request.method in {"GET", "HEAD"} else 400, error)


def _answer_dutytrace(_request: Request, error: Exception) -> JsonAnswer:
    return error_response(500, str(error))


def _answer_unreadable(request: Request, error: Exception) -> JsonAnswer:
    assert isinstance(error, OSError)
    log.warning("%s: %s", request.url.path, error)
    if _concerns_recording(error, request):
        return error_response(500, f"The recording cannot be read: {error}.")
    return error_response(500, f"A file of the server cannot be read: {error}.")


def _answer_no_memory(request: Request, _error: Exception) -> JsonAnswer:
    log.warning("%s: not enough memory", request.url.path)
    return error_response(
        503, "The server has not enough memory for this; ask for less at a time, or try again."
    )


def _concerns_recording(error: OSError, request: Request) -> bool:
    """Return whether a file of a recording is what could not be read.

    Arrow raises without a file name; then the address decides, since only routes of the API open
    recordings.
    """
    if error.filename is None:
        return request.url.path.startswith(API_PREFIX)
    recordings: RecordingCache = request.app.state.recordings
    return recordings.contains(Path(os.fsdecode(error.filename)))


def _answer_validation(_request: Request, error: Exception) -> JsonAnswer:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"][1:]) or "request"
    return error_response(422, f"{key}: {first['msg']}.")
