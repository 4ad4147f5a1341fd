"""The live route: one websocket for each page, at the rate at which its browser draws.

A page that has not drawn what it received is sent no more (`live.session`). The route itself only
carries messages; it ends when the page disconnects.
"""

import asyncio
import contextlib
import logging
from typing import Final

from fastapi import FastAPI, WebSocket, WebSocketDisconnect

from dashboard.live.follower import Follower
from dashboard.live.session import LiveSession
from dashboard.live.snapshot import Snapshot
from dashboard.live.view_stream import ViewStreams
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError, InputError
from logger.outside_text import parse_json

__all__ = ["LIVE_PATH", "add_live_route"]

log = logging.getLogger(__name__)

LIVE_PATH: Final = "/api/live"
MAX_MESSAGE_CHARS: Final = 2000
"""Longest message from a page that is read."""
POLICY_VIOLATION: Final = 1008


def add_live_route(
    server: FastAPI, cache: RecordingCache, guard: OriginPolicy, *, writes: bool = True
) -> Follower:
    """Add the websocket route; return the follower that it reads from.

    Without `writes` the alerts of a page have no actions.
    """
    streams = ViewStreams(writes=writes)
    follower = Follower(cache, prepare=streams.advance)

    async def serve_socket(socket: WebSocket) -> None:
        if not guard.allows(socket.headers):
            await socket.close(code=POLICY_VIOLATION)
            return
        await socket.accept()
        session = LiveSession(streams)
        with follower.follow() as news:
            listening = asyncio.create_task(_receive_messages(socket, session, news))
            try:
                while not listening.done():
                    news.clear()
                    snapshot = follower.snapshot
                    if session.is_prepared(snapshot):
                        messages = session.next_messages(snapshot)
                    else:
                        messages = await asyncio.to_thread(_next_messages, session, snapshot, cache)
                    for message in messages:
                        if isinstance(message, bytes):
                            await socket.send_bytes(message)
                        else:
                            await socket.send_text(message)
                    await news.wait()
            except (WebSocketDisconnect, RuntimeError):
                log.debug("a live page disconnected")
            finally:
                listening.cancel()

    server.add_api_websocket_route(LIVE_PATH, serve_socket)
    return follower


def _next_messages(
    session: LiveSession, snapshot: Snapshot, cache: RecordingCache
) -> list[str | bytes]:
    last = ""
    if snapshot.recording is None and not snapshot.fault:
        # The follower says why the folder cannot be read.
        with contextlib.suppress(DutytraceError, OSError):
            last = cache.newest_name()
    return session.next_messages(snapshot, last=last)


async def _receive_messages(socket: WebSocket, session: LiveSession, news: asyncio.Event) -> None:
    """Pass on the messages of a page until it disconnects, and wake the sending loop at each."""
    try:
        while True:
            text = await socket.receive_text()
            if len(text) > MAX_MESSAGE_CHARS:
                continue
            try:
                message = parse_json(text, "message")
            except InputError:
                continue
            if isinstance(message, dict):
                session.on_message(message)
                news.set()
    except (WebSocketDisconnect, RuntimeError):
        return
    finally:
        news.set()
