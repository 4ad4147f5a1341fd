"""What every POST of a page goes through: who asks, how long it is, whether a page sends such.

What is amiss is a status and a sentence, never a traceback.
"""

from typing import TypeVar

from fastapi import Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from dashboard.server.origin_check import OriginPolicy
from logger.errors import InputError

__all__ = ["RefusedError", "error_response", "parse_body", "read_request"]

RequestModel = TypeVar("RequestModel", bound=BaseModel)


class RefusedError(Exception):
    """A request that is not answered; the page shows the sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status

    def to_response(self) -> JSONResponse:
        """Return it as the page expects it."""
        return error_response(self.status, str(self))


def error_response(status: int, sentence: str) -> JSONResponse:
    """Return a sentence as the page expects it."""
    return JSONResponse({"fault": sentence}, status_code=status)


async def read_request(
    request: Request, policy: OriginPolicy, model: type[RequestModel], *, max_bytes: int
) -> RequestModel:
    """Return what a request asks.

    Parameters
    ----------
    max_bytes
        Bytes that its body may have.

    Raises
    ------
    RefusedError
        It does not come from a page of this server, is too long, or is not what pages send.
    """
    if not policy.allows(request.headers):
        raise RefusedError(403, "This request does not come from a page of this server.")
    body = await request.body()
    if len(body) > max_bytes:
        raise RefusedError(413, f"The request is longer than {max_bytes} bytes.")
    try:
        return parse_body(model, body)
    except InputError as error:
        raise RefusedError(400, str(error)) from None


def parse_body(model: type[RequestModel], body: bytes) -> RequestModel:
    """Return what a request's body asks.

    Raises
    ------
    InputError
        It is not what the page sends.
    """
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        details = error.errors()[0]
        key = ".".join(str(part) for part in details["loc"]) or "request"
        raise InputError(f"{key}: {_describe_mistake(details)}.") from None


def _describe_mistake(details: ErrorDetails) -> str:
    """Return what is wrong about a request; in our own words where a person can bring it about."""
    match details:
        case {"type": "too_long", "ctx": {"actual_length": found, "max_length": most}}:
            return f"found {found}, expected at most {most} at a time"
        case {"type": "string_too_long", "ctx": {"max_length": most}}:
            return f"found more than {most} characters, expected at most so many"
        case {"type": "int_type" | "int_from_float" | "int_parsing", "input": found}:
            return f"found {found}, expected a whole number"
        case {"type": "greater_than_equal", "ctx": {"ge": least}, "input": found}:
            return f"found {found}, expected at least {least}"
        case {"type": "less_than_equal", "ctx": {"le": most}, "input": found}:
            return f"found {found}, expected at most {most}"
    return details["msg"]
