"""What a page is answered when a route raises: a status and a sentence, never a traceback.

RefusedError             its own status
InputError               404 to a GET (the address names what is not there), 400 to a POST
RecordingNotFoundError   404
another DutytraceError   500
OSError                  500
what FastAPI refuses     422
"""

import logging
from collections.abc import Awaitable, Callable

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response

from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError, error_response, fault_of
from dashboard.server.recording_cache import RecordingNotFoundError
from logger.errors import DutytraceError, InputError

__all__ = ["add_error_handlers"]

log = logging.getLogger(__name__)


def add_error_handlers(server: FastAPI) -> None:
    """Have every route of a server answered so."""
    for kind, answer in (
        (RefusedError, _answer_refused),
        (RecordingNotFoundError, _answer_not_found),
        (InputError, _answer_input),
        (DutytraceError, _answer_dutytrace),
        (OSError, _answer_unreadable),
        (RequestValidationError, _answer_validation),
    ):
        server.add_exception_handler(kind, _of_requests(answer))


def _of_requests(
    answer: Callable[[Request, Exception], JsonAnswer],
) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handle(request: Request, error: Exception) -> Response:
        if request.scope["type"] != "http":
            # Nothing can be answered on a websocket; it is logged and closed as anything else.
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
    log.warning("%s: %s", request.url.path, error)
    return error_response(500, f"The recording cannot be read: {error}.")


def _answer_validation(_request: Request, error: Exception) -> JsonAnswer:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"][1:]) or "request"
    return error_response(422, f"{key}: {first['msg']}.")
