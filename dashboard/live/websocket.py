"""The live route: one websocket a page, fed at the pace at which the browser draws.

Nothing is pushed into a page that has not drawn what it has: see `tab`. The route itself only
carries bytes; a page that goes away ends its own loop.
"""

import asyncio
import json
import logging
from typing import Final

from fastapi import FastAPI, WebSocket, WebSocketDisconnect

from dashboard.live.follower import Follower
from dashboard.live.session import Tab
from dashboard.server.origin_check import Guard
from dashboard.server.recording_cache import Shelf

__all__ = ["LIVE_PATH", "add_live_route"]

log = logging.getLogger(__name__)

LIVE_PATH: Final = "/live"
WORD_MOST: Final = 2000
"""Longest message that a page may send, in characters."""
CLOSED_BY_RULE: Final = 1008


def add_live_route(server: FastAPI, shelf: Shelf, guard: Guard, *, writes: bool = True) -> Follower:
    """Add the websocket route; returns the follower that feeds it.

    Without `writes` a page is offered nothing that would be written.
    """
    follower = Follower(shelf)

    async def live(socket: WebSocket) -> None:
        if not guard.welcome(socket.headers):
            await socket.close(code=CLOSED_BY_RULE)
            return
        await socket.accept()
        tab = Tab(writes=writes)
        with follower.watched() as news:
            listening = asyncio.create_task(_listen(socket, tab, news))
            try:
                while not listening.done():
                    news.clear()
                    moment = follower.moment
                    note = shelf.last_ended() if moment.recording is None else ""
                    messages = await asyncio.to_thread(tab.next_messages, moment, note=note)
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

    server.add_api_websocket_route(LIVE_PATH, live)
    return follower


async def _listen(socket: WebSocket, tab: Tab, news: asyncio.Event) -> None:
    """Hand on what the page says until it goes away; each word may be one that was waited for."""
    try:
        while True:
            text = await socket.receive_text()
            if len(text) > WORD_MOST:
                continue
            try:
                said = json.loads(text)
            except ValueError:
                continue
            if isinstance(said, dict):
                tab.heard(said)
                news.set()
    except (WebSocketDisconnect, RuntimeError):
        return
    finally:
        news.set()
