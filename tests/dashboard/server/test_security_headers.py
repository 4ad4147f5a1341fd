"""What every answer says to a browser, whoever gives it and whatever its status."""

from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.access.password import write_password
from dashboard.server.security_headers import STANDING_HEADERS, page_policy, source_digest
from tests.support.web import connected, read_to_end

POLICY = "content-security-policy"


def _headers_of(answer: bytes) -> tuple[int, dict[str, list[str]]]:
    head = answer.partition(b"\r\n\r\n")[0].decode().split("\r\n")
    headers: dict[str, list[str]] = {}
    for line in head[1:]:
        name, _, value = line.partition(": ")
        headers.setdefault(name.lower(), []).append(value)
    return int(head[0].split()[1]), headers


@pytest.fixture
def answers(serve: Callable[..., str], tmp_path: Path) -> dict[str, tuple[int, dict]]:
    """Ask servers for everything that can be answered; returns status and headers by name."""
    write_password(tmp_path / "password", "four plain words here")
    open_port = int(serve(tmp_path).rsplit(":", 1)[1])
    closed = serve(tmp_path, "--password-file", str(tmp_path / "password"))
    closed_port = int(closed.rsplit(":", 1)[1])

    def ask(port: int, line: str, *lines: str, host: str = "127.0.0.1") -> tuple[int, dict]:
        text = "\r\n".join([line, f"host: {host}", *lines, "connection: close", "", ""])
        return _headers_of(read_to_end(connected(port, text.encode())))

    return {
        "page": ask(open_port, "GET / HTTP/1.1"),
        "list": ask(open_port, "GET /api/recordings HTTP/1.1"),
        "asset": ask(open_port, "GET /assets/live.png HTTP/1.1"),
        "unknown": ask(open_port, "GET /api/nowhere HTTP/1.1"),
        "module": ask(open_port, "GET /modules/0/main.mjs HTTP/1.1"),
        "method": ask(open_port, "PUT /replay HTTP/1.1"),
        "foreign": ask(open_port, "GET / HTTP/1.1", host="evil.example"),
        "long": ask(open_port, "POST /api/cut HTTP/1.1", "content-length: 999999"),
        "head": ask(open_port, "GET / HTTP/1.1", "x: " + "x" * 70_000),
        "nonsense": ask(open_port, "\x01 / HTTP/1.1"),
        "redirect": ask(closed_port, "GET / HTTP/1.1", "accept: text/html"),
        "refused": ask(closed_port, "GET /api/recordings HTTP/1.1"),
        "login": ask(closed_port, "GET /login HTTP/1.1"),
    }


def test_every_answer(answers):
    """No sniffing, no frames, no referrer for others; once each."""
    expected = {
        "page": 200, "list": 200, "asset": 200, "unknown": 404, "module": 404, "method": 405,
        "foreign": 403, "long": 413, "head": 431, "nonsense": 400, "redirect": 303,
        "refused": 401, "login": 200,
    }  # fmt: skip
    assert {name: status for name, (status, _) in answers.items()} == expected
    for name, (_, headers) in answers.items():
        for header, value in STANDING_HEADERS:
            assert headers[header] == [value], (name, header)
        assert "server" not in headers, name


def test_every_page_and_route_has_one_policy(answers):
    """Also what is refused; the login has its own, which allows less."""
    for name, (_, headers) in answers.items():
        # These two are no answers of the application; they are no pages either.
        if name not in {"head", "nonsense"}:
            assert len(headers[POLICY]) == 1, name
            assert "default-src 'none'" in headers[POLICY][0], name
            assert "frame-ancestors 'none'" in headers[POLICY][0], name
    assert "nonce-" in answers["login"][1][POLICY][0]


def test_the_policy_allows_no_text_as_a_script():
    """Scripts in the page are named by digest; nothing comes from other servers."""
    policy = page_policy([source_digest("start()")])
    directives = dict(part.split(" ", 1) for part in policy.split("; "))
    assert directives["script-src"] == f"'self' {source_digest('start()')}"
    assert directives["default-src"] == directives["base-uri"] == "'none'"
    assert "unsafe-eval" not in policy
    assert [name for name, sources in directives.items() if "unsafe-inline" in sources] == [
        "style-src",
        "style-src-attr",
    ]
    assert "http" not in policy
    assert "*" not in policy
