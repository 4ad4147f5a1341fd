"""JSON answers in ASCII.

A folder whose name is no UTF-8 is listed like any other. Python keeps such bytes as surrogates,
which JSON can escape and UTF-8 cannot carry.
"""

import json
from typing import Any

from fastapi.responses import JSONResponse

__all__ = ["JsonAnswer"]


class JsonAnswer(JSONResponse):
    """Content as JSON, everything beyond ASCII escaped; NaN in it is a ValueError."""

    def render(self, content: Any) -> bytes:  # noqa: ANN401 - starlette's render() is typed so
        """Return the body."""
        return json.dumps(content, allow_nan=False, separators=(",", ":")).encode("ascii")
