"""A server of an application on a loopback port, in a thread, and plain sockets that talk to it."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from starlette.types import ASGIApp

from dashboard.server.bounded_http import ConnectionBounds
from dashboard.server.web_server import WebServer, open_listener

ANSWER_S = 30.0
"""How long an answer may take on a busy machine."""


@contextmanager
def served(application: ASGIApp, bounds: ConnectionBounds) -> Iterator[int]:
    """Serve an application while the context is open; yields its port."""
    ready = threading.Event()
    with open_listener("127.0.0.1", 0) as listener:
        port = listener.getsockname()[1]
        server = WebServer(
            application,
            bounds=bounds,
            started=ready.set,
            stopping=lambda: None,
            stopped=lambda: None,
        )
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            assert ready.wait(ANSWER_S)
            yield port
        finally:
            server.should_exit = True
            thread.join(ANSWER_S)
            assert not thread.is_alive()


def connected(port: int, text: bytes = b"", *, source: str = "127.0.0.1") -> socket.socket:
    """Return a connection to a port of this machine over which a text was sent."""
    link = socket.create_connection(
        ("127.0.0.1", port), timeout=ANSWER_S, source_address=(source, 0)
    )
    link.sendall(text)
    return link


def read_to_end(link: socket.socket) -> bytes:
    """Return all that comes until the other side closes; close, too."""
    parts = []
    with link:
        try:
            while part := link.recv(65536):
                parts.append(part)
        except ConnectionResetError:
            pass
    return b"".join(parts)


def is_open(link: socket.socket) -> bool:
    """Return whether the other side still holds a connection; what it has said is thrown away."""
    link.settimeout(0.02)
    try:
        while link.recv(65536):
            pass
    except TimeoutError:
        return True
    except ConnectionResetError:
        return False
    finally:
        link.settimeout(ANSWER_S)
    return False


def resident_bytes(pid: int, field: str = "VmRSS") -> int:
    """Return the memory that a process has in use (VmRSS), or had at most (VmHWM)."""
    lines = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    return 1024 * next(int(line.split()[1]) for line in lines if line.startswith(f"{field}:"))


def wait_until(holds, within_s: float = ANSWER_S) -> bool:
    """Return whether something comes to hold within a generous while."""
    end_s = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.02)
    return True
