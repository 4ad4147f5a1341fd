"""The server of the pages as it is started, before any password: long bodies and half requests."""

import contextlib
import http.client
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.access.password import write_password
from dashboard.server.body_limit import MAX_BODY_BYTES
from tests.support.web import connected, read_to_end, resident_bytes

CHUNK = b"x" * 1_000_000
MANY = 200
"""Chunks: together as much as would be seen in the memory of any process."""

on_linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


@pytest.fixture
def port(serve: Callable[..., str], tmp_path: Path) -> int:
    """Start a server without a password; returns its port."""
    return int(serve(tmp_path).rsplit(":", 1)[1])


@pytest.fixture
def guarded_port(serve: Callable[..., str], tmp_path: Path) -> int:
    """Start a server that asks for a password; returns its port."""
    write_password(tmp_path / "password", "four plain words here")
    address = serve(tmp_path, "--password-file", str(tmp_path / "password"))
    return int(address.rsplit(":", 1)[1])


def _send_much(port: int, path: str, *, chunked: bool = False) -> int:
    """Send a body of 200 MB, as far as the server takes it; return the status of the answer."""
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as link:
        return _post_much(link, path, chunked=chunked)


def _post_much(link: http.client.HTTPConnection, path: str, *, chunked: bool) -> int:
    link.putrequest("POST", path)
    link.putheader("origin", f"http://127.0.0.1:{link.port}")
    link.putheader("content-type", "application/json")
    if chunked:
        link.putheader("transfer-encoding", "chunked")
    else:
        link.putheader("content-length", str(MANY * len(CHUNK)))
    link.endheaders()
    piece = b"%x\r\n%b\r\n" % (len(CHUNK), CHUNK) if chunked else CHUNK
    with contextlib.suppress(ConnectionError):
        for _ in range(MANY):
            link.send(piece)
    with link.getresponse() as answer:
        return answer.status


@on_linux
def test_a_long_body_is_refused_and_not_kept(bench, port: int):
    """Whatever route it is for and whether or not it says its length, memory stays as it was."""
    pid = bench.processes()[-1].pid
    before = resident_bytes(pid, "VmHWM")
    for path in ("/api/requests", "/api/limits/evaluate", "/_dash-update-component", "/login"):
        assert _send_much(port, path) == 413, path
        # Without a password the login reads nothing.
        assert _send_much(port, path, chunked=True) == (303 if path == "/login" else 413), path
    for path in ("/", "/nowhere", "/api/nowhere"):
        assert _send_much(port, path) == 413, path
        assert _send_much(port, path, chunked=True) in {404, 405, 413}, path
    assert resident_bytes(pid, "VmHWM") - before < MANY * len(CHUNK) / 5


@on_linux
def test_a_long_body_without_a_session_is_not_kept_either(bench, guarded_port: int):
    """Before the password nothing is read that the login does not need."""
    pid = bench.processes()[-1].pid
    before = resident_bytes(pid, "VmHWM")
    for path, status in (("/api/requests", 401), ("/login", 413)):
        assert _send_much(guarded_port, path) == status
        assert _send_much(guarded_port, path, chunked=True) == status
    assert resident_bytes(pid, "VmHWM") - before < MANY * len(CHUNK) / 5


def test_the_longest_body_that_is_read(port: int):
    """A byte more than that is answered with a sentence that says how long it may be."""
    for length, status in ((MAX_BODY_BYTES, 400), (MAX_BODY_BYTES + 1, 413)):
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        headers = {"origin": f"http://127.0.0.1:{port}"}
        link.request("POST", "/api/limits/evaluate", body=b" " * length, headers=headers)
        answer = link.getresponse()
        text = answer.read().decode()
        link.close()
        assert answer.status == status, text
    assert f"longer than {MAX_BODY_BYTES} bytes" in text


def test_half_requests_do_not_shut_the_pages(guarded_port: int):
    """Hundreds of them are held open, heads and bodies, and the login still answers."""
    halves = [
        connected(guarded_port, text)
        for text in (
            b"GET / HTTP/1.1\r\nhost: x\r\n",
            b"POST /login HTTP/1.1\r\nhost: 127.0.0.1:%d\r\ncontent-length: 9\r\n\r\n"
            % guarded_port,
        )
        for _ in range(300)
    ]
    try:
        asked = b"GET /login HTTP/1.1\r\nhost: 127.0.0.1:%d\r\nconnection: close\r\n\r\n"
        for _ in range(5):
            answer = read_to_end(connected(guarded_port, asked % guarded_port))
            assert answer.startswith(b"HTTP/1.1 200"), answer
    finally:
        for link in halves:
            link.close()
