"""The body of a page's POST: what it may hold, and what is answered else."""

from typing import Any

import pytest
from pydantic import BaseModel

from dashboard.server.json_requests import parse_body
from logger.errors import InputError


class Body(BaseModel):
    """A body that no page sends."""

    tables: list[dict[str, Any]]


def test_a_body_is_its_model():
    """Whatever its tables hold."""
    assert parse_body(Body, b'{"tables": [{"a": [1, {"b": 2}]}]}').tables == [{"a": [1, {"b": 2}]}]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b'{"tables": [{"a": ' + b"[" * 150 + b"]" * 150 + b"}]}", "deep within each other"),
        (b'{"tables": [{"a": ' + b"9" * 5000 + b"}]}", "a whole number of 5000 digits"),
        (b'{"tables": [{"a": "\\ud800"}]}', "half of a surrogate pair"),
        (b'{"tables": [{"a": NaN}]}', "NaN"),
        (b"", "not valid JSON"),
        (b"\xff\xfe", "not valid JSON"),
        (b'{"tables": 3}', "tables"),
    ],
)
def test_a_body_past_a_bound_is_a_sentence(body: bytes, words: str):
    """Before anything computes with it."""
    with pytest.raises(InputError, match=words):
        parse_body(Body, body)
