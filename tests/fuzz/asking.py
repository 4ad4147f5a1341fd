"""Addresses that no page asks for, and a request to a server without a socket."""

import asyncio
import contextlib
import random
from typing import Any
from urllib.parse import quote, urlencode

from dashboard.replay.limits_token import encode_token
from logger.errors import DutytraceError
from tests.fuzz.mutations import hostile_value, mutate_toml

__all__ = ["ask_server", "hostile_address"]


def hostile_address(name: str, draw: random.Random) -> str:
    """Return an address below /api/ with parameters that no page sends."""
    sound: dict[str, object] = {
        "start": 0,
        "end": 30,
        "width": 900,
        "height": 440,
        "form": "normal",
        "theme": "light",
        "zone": "UTC",
        "position": "deg",
        "speed": "rpm",
        "first": 0,
        "count": 5,
        "over": name,
        "shift": 0,
        "judged": "",
    }
    for _ in range(draw.choice((1, 1, 2, 3))):
        key = draw.choice(sorted(sound))
        value = hostile_value(draw)
        sound[key] = "9" * 5000 if isinstance(value, int) and abs(value) > 10**300 else value
    if draw.random() < 0.3:
        text = mutate_toml(
            'format = 1\n[[limit]]\nname = "a"\nkind = "level"\nabove = 22.0\n'
            'channel = "temperature_housing_degC"\nseverity = "trip"\n',
            draw,
        )
        with contextlib.suppress(DutytraceError, UnicodeError):
            sound["judged"] = encode_token(text)
    path = draw.choice(
        (
            "",
            f"/{name}/overview",
            f"/{name}/window",
            f"/{name}/span",
            f"/{name}/excursions",
            f"/{name}/bus",
            f"/{name}/alignment",
            "/../x/overview",
            f"/{quote(str(hostile_value(draw))[:80], safe='')}/overview",
        )
    )
    if draw.random() < 0.1:
        return (
            f"/api/limits?{urlencode({'recording': str(hostile_value(draw))[:500], 'zone': 'x'})}"
        )
    if draw.random() < 0.1:
        return f"/api/limits/jobs/{str(sound['count'])[:100]}"
    return f"/api/recordings{path}?" + urlencode(sound, errors="replace")


async def ask_server(server: Any, method: str, address: str, body: bytes) -> tuple[int, bytes]:
    """Return status and body of the answer to one request, asked without a socket."""
    path, _, query = address.partition("?")
    sent: list[dict[str, Any]] = []
    waiting = [{"type": "http.request", "body": body, "more_body": False}]
    never = asyncio.Event()

    async def receive() -> dict[str, Any]:
        if waiting:
            return waiting.pop()
        await never.wait()
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [
        (b"host", b"127.0.0.1:1"),
        (b"origin", b"http://127.0.0.1:1"),
        (b"content-type", b"application/json"),
    ]
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": headers,
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 1),
        "state": {},
        "extensions": {},
    }
    await server(scope, receive, send)
    return sent[0]["status"], b"".join(message.get("body", b"") for message in sent[1:])
