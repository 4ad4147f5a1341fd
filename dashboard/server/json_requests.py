"""Checks the POST of a page: its origin, the length of its body, and its content.

An error becomes a status, a sentence and, where they are known, its facts in fields; never a
traceback.
"""

from typing import Any, TypeVar

from fastapi import Request
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from dashboard.server.json_answer import JsonAnswer
from dashboard.server.origin_check import OriginPolicy
from logger.errors import InputError, Mistake
from logger.outside_text import parse_json

__all__ = [
    "RefusedError",
    "error_response",
    "fault_of",
    "parse_body",
    "read_body",
    "read_request",
    "split_mistakes",
]

RequestModel = TypeVar("RequestModel", bound=BaseModel)


class RefusedError(Exception):
    """A request that is refused; the page shows the sentence."""

    def __init__(self, status: int, wrong: str | InputError) -> None:
        super().__init__(str(wrong))
        self.status = status
        self._wrong = wrong

    def to_response(self) -> JsonAnswer:
        """Return the response that the page expects."""
        if isinstance(self._wrong, InputError):
            return fault_of(self.status, self._wrong)
        return error_response(self.status, self._wrong)


def error_response(status: int, sentence: str) -> JsonAnswer:
    """Return an error as the page expects it."""
    return JsonAnswer({"fault": sentence}, status_code=status)


def fault_of(status: int, wrong: InputError) -> JsonAnswer:
    """Return an InputError as the page expects it: its sentence, and its facts in fields."""
    return JsonAnswer({"fault": str(wrong), "mistakes": split_mistakes(wrong)}, status_code=status)


def split_mistakes(wrong: InputError) -> list[dict[str, Any]]:
    """Return the facts of an error, one mapping for each mistake, for a page.

    `index` is that of the limit on the page, -1 for none in particular; `key` is the key of that
    limit, or of the table that was checked.
    """
    return [_plain_mistake(mistake) for mistake in wrong.mistakes]


def _plain_mistake(mistake: Mistake) -> dict[str, Any]:
    match mistake.key:
        case ("limit", int(index), *rest):
            pass
        case _:
            index, rest = -1, list(mistake.key)
    return {
        "index": index,
        "key": next((part for part in rest if isinstance(part, str)), ""),
        "text": mistake.text if index >= 0 else str(mistake),
        "message": str(mistake),
        "where": mistake.where,
        "path": list(mistake.key),
        "found": mistake.found,
        "expected": mistake.expected,
        "hint": mistake.hint,
    }


async def read_request(
    request: Request, policy: OriginPolicy, model: type[RequestModel], *, max_bytes: int
) -> RequestModel:
    """Return the content of a request.

    Parameters
    ----------
    max_bytes
        Longest body that is accepted.

    Raises
    ------
    RefusedError
        It does not come from a page of this server, is too long, or is not what pages send.
    """
    if not policy.allows(request.headers):
        raise RefusedError(403, "This request does not come from a page of this server.")
    body = await read_body(request, max_bytes=max_bytes)
    try:
        return parse_body(model, body)
    except InputError as error:
        raise RefusedError(400, error) from None


async def read_body(request: Request, *, max_bytes: int) -> bytes:
    """Return the body of a request; one that is too long is not read whole.

    Raises
    ------
    RefusedError
        It is longer than `max_bytes`.
    """
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > max_bytes:
            raise RefusedError(413, f"The request is longer than {max_bytes} bytes.")
    return bytes(body)


def parse_body(model: type[RequestModel], body: bytes) -> RequestModel:
    """Return the content of a body.

    Raises
    ------
    InputError
        It is no JSON, is beyond a bound of `logger.outside_text`, or does not fit the model.
    """
    content = parse_json(body, "request")
    try:
        return model.model_validate(content)
    except ValidationError as error:
        details = error.errors()[0]
        key = tuple(str(part) for part in details["loc"]) or ("request",)
        raise InputError(f"{_describe_mistake(details)}.", key=key) from None


def _describe_mistake(details: ErrorDetails) -> str:
    """Return what is wrong about a request; in our own words for what a person can cause."""
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
