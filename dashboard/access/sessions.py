"""The sessions of logged-in browsers.

A session is a random token in a cookie of the browser; only its digest is kept here. It lasts
thirty days, so that a screen in the lab need not log in every morning, or until it logs out. Pure
but for the random token: time is given.
"""

import hashlib
import secrets
from collections import OrderedDict
from typing import Final

__all__ = ["SESSION_LIFETIME_S", "Sessions"]

SESSION_LIFETIME_S: Final = 30 * 86400.0
MAX_SESSIONS: Final = 500


class Sessions:
    """The sessions of one server; used in its event loop only."""

    def __init__(self) -> None:
        self._expiry_s: OrderedDict[bytes, float] = OrderedDict()

    def create_token(self, now_s: float) -> str:
        """Return the token of a new session; beyond `MAX_SESSIONS` the oldest one ends."""
        token = secrets.token_urlsafe(32)
        self._expiry_s[_token_digest(token)] = now_s + SESSION_LIFETIME_S
        while len(self._expiry_s) > MAX_SESSIONS:
            self._expiry_s.popitem(last=False)
        return token

    def is_valid(self, token: str, now_s: float) -> bool:
        """Return whether a token belongs to a session that has not ended."""
        until_s = self._expiry_s.get(_token_digest(token))
        return until_s is not None and now_s < until_s

    def revoke(self, token: str) -> None:
        """End a session."""
        self._expiry_s.pop(_token_digest(token), None)


def _token_digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
