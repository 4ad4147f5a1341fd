"""JSON answers in ASCII, whatever is in them.

A folder whose name is no UTF-8 is listed like any other. Python keeps such bytes as surrogates,
which JSON can escape and UTF-8 cannot carry. Numbers that are none, or have no end, are not known
to a page: JSON has no word for them, and no recorder writes them where pages do not expect them.
"""

import json
import math
from typing import Any

from fastapi.responses import JSONResponse

__all__ = ["JsonAnswer"]


class JsonAnswer(JSONResponse):
    """Content as JSON, everything beyond ASCII escaped; NaN and infinity become null."""

    def render(self, content: Any) -> bytes:  # noqa: ANN401 - starlette's render() is typed so
        """Return the body."""
        try:
            text = _to_text(content)
        except ValueError:
            text = _to_text(_without_infinities(content))
        return text.encode("ascii")


def _to_text(content: object) -> str:
    return json.dumps(content, allow_nan=False, separators=(",", ":"))


def _without_infinities(content: object) -> object:
    """Return content with null in place of every number that JSON cannot carry."""
    if isinstance(content, float):
        return content if math.isfinite(content) else None
    if isinstance(content, dict):
        return {key: _without_infinities(value) for key, value in content.items()}
    if isinstance(content, (list, tuple)):
        return [_without_infinities(value) for value in content]
    return content
