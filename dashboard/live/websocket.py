"""The live route: one websocket a page, fed at the pace at which the browser draws.

Nothing is pushed into a page that has not drawn what it has: see `live.session`. The route itself
only carries bytes; a page that goes away ends its own loop.
"""

import asyncio
import json
import logging
from typing import Final

from fastapi import FastAPI, WebSocket, WebSocketDisconnect

from dashboard.live.follower import Follower
from dashboard.live.session import LiveSession
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache

__all__ = ["LIVE_PATH", "add_live_route"]

log = logging.getLogger(__name__)

LIVE_PATH: Final = "/api/live"
MAX_MESSAGE_CHARS: Final = 2000
"""Of a message from a page."""
POLICY_VIOLATION: Final = 1008


def add_live_route(
    server: FastAPI, cache: RecordingCache, guard: OriginPolicy, *, writes: bool = True
) -> Follower:
    """Add the websocket route; returns the follower that feeds it.

    Without `writes` a page is offered nothing that would be written.
    """
    follower = Follower(cache)

    async def serve_socket(socket: WebSocket) -> None:
        if not guard.allows(socket.headers):
            await socket.close(code=POLICY_VIOLATION)
            return
        await socket.accept()
        session = LiveSession(writes=writes)
        with follower.follow() as news:
            listening = asyncio.create_task(_receive_messages(socket, session, news))
            try:
                while not listening.done():
                    news.clear()
                    snapshot = follower.snapshot
                    last = cache.newest_name() if snapshot.recording is None else ""
                    messages = await asyncio.to_thread(session.next_messages, snapshot, last=last)
                    for message in messages:
                        if isinstance(message, bytes):
                            await socket.send_bytes(message)
                        else:
                            await socket.send_text(message)
                    await news.wait()
            except (WebSocketDisconnect, RuntimeError):
                log.debug("a live page went away")
            finally:
                listening.cancel()

    server.add_api_websocket_route(LIVE_PATH, serve_socket)
    return follower


async def _receive_messages(socket: WebSocket, session: LiveSession, news: asyncio.Event) -> None:
    """Pass on the page's messages until it goes away; each may be one that was waited for."""
    try:
        while True:
            text = await socket.receive_text()
            if len(text) > MAX_MESSAGE_CHARS:
                continue
            try:
                message = json.loads(text)
            except ValueError:
                continue
            if isinstance(message, dict):
                session.on_message(message)
                news.set()
    except (WebSocketDisconnect, RuntimeError):
        return
    finally:
        news.set()
