"""The longest body that is read, whichever route it is for.

Nothing of it is read before the session was checked, but for the login. A body that says how long
it is, and is too long, is not read at all; one that does not say is read so far and no further.
"""

import logging
from typing import Final

from starlette.datastructures import Headers
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.server.json_requests import error_response

__all__ = ["MAX_BODY_BYTES", "BodyLimit"]

log = logging.getLogger(__name__)

MAX_BODY_BYTES: Final = 400_000
"""As long as the longest request of any page: limits with their file and an account of a sweep."""


class BodyLimit:
    """ASGI middleware that answers 413 where a body is longer than `most` bytes."""

    def __init__(self, app: ASGIApp, most: int = MAX_BODY_BYTES) -> None:
        self._app = app
        self._most = most

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on as long as its body is short enough."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if _declared_length(scope) > self._most:
            await self._refuse(scope, receive, send)
            return
        length = 0
        has_begun = False

        async def received() -> Message:
            nonlocal length
            if length > self._most:
                return {"type": "http.disconnect"}
            message = await receive()
            length += len(message.get("body", b""))
            # To the application, whose answer is not sent, it is as if the client had gone.
            return {"type": "http.disconnect"} if length > self._most else message

        async def sent(message: Message) -> None:
            nonlocal has_begun
            if length <= self._most or has_begun:
                has_begun = True
                await send(message)

        try:
            await self._app(scope, received, sent)
        except ClientDisconnect:
            log.debug("%s: the body did not arrive", scope["path"])
        if length > self._most and not has_begun:
            await self._refuse(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = error_response(413, f"The request is longer than {self._most} bytes.")
        await refused(scope, receive, send)


def _declared_length(scope: Scope) -> int:
    """Return the length that the head tells, 0 if none. What is no number, the parser refuses."""
    text = Headers(scope=scope).get("content-length", "")
    return int(text) if text.isdecimal() else 0
