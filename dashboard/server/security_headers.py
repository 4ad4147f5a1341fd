"""The headers that say to a browser what an answer may do: a content security policy and others.

The policy allows what these pages are made of: their own modules, style sheets, pictures, requests.
Of the scripts in a page itself those run whose digest it names (the import map and Dash's line that
starts it), and none is made of text at run time ('unsafe-eval'). Style elements are known by their
digest likewise. What cannot be named are style *attributes*: plotly writes the sizes and colours of
texts as such. They can load nothing, since nothing may come from elsewhere.
"""

import base64
import hashlib
from collections.abc import Iterable
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["STANDING_HEADERS", "PolicyMiddleware", "page_policy", "source_digest"]

STANDING_HEADERS: Final = (
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    # With "no-referrer" a form of our own would be sent with Origin: null.
    ("referrer-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
)
"""What every answer carries, whoever gives it: settings of uvicorn."""
_POLICY: Final = "content-security-policy"
_LIBRARY_STYLES: Final = (
    "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='",  # plotly's, empty: filled by script
    "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='",  # plotly: maps
    "'sha256-Do5Z9ZqsPvCQTUBQS9BnDm/2+on7omuzuLYk5sbA+2s='",  # Dash: undo and redo
    "'sha256-X2TqJwnIiE/ceDVeAdr7v7BOWBU6CEzE6qxlNzBzvBk='",  # Dash: its components, to the end
    "'sha256-ITR5T9OwskhdqdsliUJRmgp9ltOFAHgXe1F7eRvGnmQ='",
    "'sha256-0IJGrxhCP5NUIafylLkj5118xkZH1kp5FmNio7NOckI='",
    "'sha256-Z8VokGxeiKThZOEmkdUgfW+jxbvItBwAXC8M1c4wqAM='",
    "'sha256-VUA+tqvhK3niMn7AdszqidMFPRh9FLqxB2iINUrsiTw='",
    "'sha256-Aq43X0SlmB69maWGob4rp/UuSHhwePalkRRExtsxOJ8='",
    "'sha256-SkhFDxgIcEjMhRh19uSHWrkdnAlZ9rlskgr9yLsipa8='",
    "'sha256-uDiOZWps1U7E8/0BTaQrclYMhVhRVE4dT0vb5X6nXOw='",
    "'sha256-+QoPrsxO0auPnxSulD3bAr9CoDGgzv7YRfYE0vfxeQI='",
    "'sha256-MJs2ke1SA6Cy3tTCZu2QH0rj0r//iNqU0idy9bM4leg='",
)
"""Style elements that Dash and plotly add, in the versions of requirements.lock. But for the first
these pages use none of them: with other versions the browser's console names those it refused, and
the pages look the same."""


def source_digest(text: str) -> str:
    """Return how a policy names an inline script or style: by the digest of its text."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def page_policy(inline_scripts: Iterable[str]) -> str:
    """Return the policy of the pages.

    Parameters
    ----------
    inline_scripts
        The scripts in the page itself, each as `source_digest` names it.
    """
    directives = {
        "default-src": ["'none'"],
        "script-src": ["'self'", *inline_scripts],
        # Browsers that do not know the next two go by this one.
        "style-src": ["'self'", "'unsafe-inline'"],
        "style-src-elem": ["'self'", *_LIBRARY_STYLES],
        "style-src-attr": ["'unsafe-inline'"],
        "img-src": ["'self'", "data:"],
        "connect-src": ["'self'"],
        "form-action": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
    return "; ".join(" ".join([name, *sources]) for name, sources in directives.items())


class PolicyMiddleware:
    """ASGI middleware that gives every answer the policy, unless it has one of its own."""

    def __init__(self, app: ASGIApp, policy: str) -> None:
        self._app = app
        self._policy = policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).setdefault(_POLICY, self._policy)
            await send(message)

        await self._app(scope, receive, sent if scope["type"] == "http" else send)
