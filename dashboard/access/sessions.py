"""Who has been let in, and until when.

A session is a random token that the browser keeps in a cookie; here only its digest is kept. It
lasts thirty days, so that a screen in the lab is not asked every morning, or until somebody logs
out. Pure but for the random token: time comes in.
"""

import hashlib
import secrets
from collections import OrderedDict
from typing import Final

__all__ = ["LASTS_S", "Sessions"]

LASTS_S: Final = 30 * 86400.0
KEPT: Final = 500


class Sessions:
    """The sessions of one server; used in its event loop only."""

    def __init__(self) -> None:
        self._until: OrderedDict[bytes, float] = OrderedDict()

    def begin(self, now_s: float) -> str:
        """Return the token of a new session; where there are very many, the oldest ends for it."""
        token = secrets.token_urlsafe(32)
        self._until[_digest(token)] = now_s + LASTS_S
        while len(self._until) > KEPT:
            self._until.popitem(last=False)
        return token

    def holds(self, token: str, now_s: float) -> bool:
        """Return whether a token is one of a session that goes on."""
        until_s = self._until.get(_digest(token))
        return until_s is not None and now_s < until_s

    def end(self, token: str) -> None:
        """End a session."""
        self._until.pop(_digest(token), None)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
