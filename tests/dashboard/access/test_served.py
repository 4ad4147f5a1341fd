"""A server that asks for a password, asked by somebody without a browser."""

import http.client
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest

from dashboard.access.password import write_password
from replay.recording import Recording
from tests.support.command import run

TYPED = "four plain words here"
UPGRADE = {
    "upgrade": "websocket", "connection": "Upgrade", "sec-websocket-version": "13",
    "sec-websocket-key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip


class Client:
    """Asks one server under one address, as a browser would."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.own = f"http://127.0.0.1:{port}"

    def ask(
        self, path: str, *, method: str = "GET", body: str = "", **headers: str
    ) -> tuple[int, dict[str, str], str]:
        """Return status, headers and text."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            named = {key.replace("_", "-"): value for key, value in headers.items()}
            link.request(method, path, body=body.encode() if body else None, headers=named)
            answer = link.getresponse()
            text = "" if answer.status == 101 else answer.read().decode()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, text
        finally:
            link.close()

    def enter(self, password: str = TYPED, to: str = "/", **headers: str):
        """Log in."""
        form = urlencode({"password": password, "next": to})
        kind = "application/x-www-form-urlencoded"
        return self.ask(
            "/login", method="POST", body=form, content_type=kind,
            **{"origin": self.own, **headers},
        )  # fmt: skip


@pytest.fixture
def served(serve: Callable[..., str], overheat: Recording, tmp_path: Path) -> Callable[..., Client]:
    """Start a server over the overheat that asks for a password."""

    def start(*options: str) -> Client:
        write_password(tmp_path / "password", TYPED)
        address = serve(
            overheat.path.parent, "--password-file", str(tmp_path / "password"), *options
        )
        return Client(int(address.rsplit(":", 1)[1]))

    return start


def _cookie(headers: dict[str, str]) -> str:
    return headers["set-cookie"].split(";")[0]


def test_nothing_is_told_without_the_password(served: Callable[..., Client]):
    """Pages lead to the login, everything else is refused: routes, assets, the live websocket."""
    client = served()
    for path in ("/", "/replay/overheat?from=1&to=2", "/bus"):
        status, headers, _ = client.ask(path, accept="text/html")
        assert (status, headers["location"]) == (303, f"/login?next={quote(path, safe='')}")
    for path in (
        "/api/recordings", "/api/recordings/overheat/overview", "/api/bus/recordings",
        "/api/recordings/overheat/bus", "/assets/main.mjs", "/_dash-layout", "/_dash-dependencies",
        "/nowhere", "/api/requests", "//api/recordings", "/login/../api/recordings",
        "/assets/base.css", "/assets/../api/recordings", "/modules/0/main.mjs",
    ):  # fmt: skip
        status, _, text = client.ask(path)
        assert status in {401, 404}, path
        assert "overheat" not in text.lower()
    post = {"method": "POST", "body": "{}", "origin": client.own}
    assert client.ask("/api/requests", **post)[0] == 401
    assert client.ask("/_dash-update-component", **post)[0] == 401
    assert client.ask("/api/live", origin=client.own, **UPGRADE)[0] == 403
    for cookie in (
        "dutytrace=x",
        f"dutytrace-{client.port}=",
        "=;;=",
        f"dutytrace-{client.port}=a",
    ):
        assert client.ask("/api/recordings", cookie=cookie)[0] == 401


def test_the_password_lets_in(served: Callable[..., Client]):
    """A cookie that scripts and other sites never get; what was asked for is gone on to."""
    client = served()
    status, headers, _ = client.enter(to="/replay/overheat?from=1")
    assert (status, headers["location"]) == (303, "/replay/overheat?from=1")
    said = headers["set-cookie"].lower()
    assert all(part in said for part in ("httponly", "samesite=strict", "path=/", "max-age="))
    assert "secure" not in said
    cookie = _cookie(headers)
    assert client.ask("/api/recordings", cookie=cookie)[0] == 200
    assert client.ask("/api/recordings", cookie=f'odd={{"a": [1, 2]}}; {cookie}; =; x')[0] == 200
    assert client.ask("/", cookie=cookie, accept="text/html")[0] == 200
    assert client.ask("/api/live", cookie=cookie, origin=client.own, **UPGRADE)[0] == 101
    assert '"in":true' in client.ask("/session", cookie=cookie)[2]
    assert client.ask("/login?next=%2Fbus", cookie=cookie)[1]["location"] == "/bus"

    foreign = {"cookie": cookie, "origin": "http://evil.example"}
    assert client.ask("/api/live", **foreign, **UPGRADE)[0] == 403
    assert client.ask("/api/live", cookie=cookie, **UPGRADE)[0] == 403
    assert client.ask("/logout", method="POST", **foreign)[0] == 403
    assert client.ask("/api/recordings", cookie=cookie, host="evil.example")[0] == 403

    assert client.ask("/logout", method="POST", cookie=cookie, origin=client.own)[0] == 303
    assert client.ask("/api/recordings", cookie=cookie)[0] == 401


def test_a_login_never_leads_elsewhere(served: Callable[..., Client]):
    """Where to go on to is a page of this server, whatever a link says."""
    client = served()
    for to in (
        "https://evil.example", "//evil.example", "/\\evil.example", "\\evil", "javascript:x", "",
        "/a\nb: c", "/\t/evil.example", "/login?next=/", "evil", "/x" * 1100,
    ):  # fmt: skip
        _, headers, _ = client.enter(to=to)
        assert headers["location"] == "/", to
    hostile = quote('/x?"><script>alert(1)</script>')
    text = client.ask(f"/login?next={hostile}")[2]
    assert "<script>alert" not in text


def test_tries_are_limited(served: Callable[..., Client]):
    """After five wrong ones even the right one has to wait, and is told for how long."""
    client = served()
    for _ in range(5):
        status, headers, text = client.enter("not the password")
        assert (status, "set-cookie" in headers) == (401, False)
        assert "That is not the password." in text
    status, headers, text = client.enter()
    assert (status, "set-cookie" in headers) == (429, False)
    assert "Too many tries" in text
    assert 0 < int(headers["retry-after"]) <= 21
    # A header that names another address is no way round.
    assert client.enter(x_forwarded_for="10.9.8.7", forwarded="for=10.9.8.7")[0] == 429


def test_nonsense_at_the_login(served: Callable[..., Client]):
    """Too long, no form, no password: an answer each, and nobody is let in."""
    client = served()
    kind = {"origin": client.own, "content_type": "application/x-www-form-urlencoded"}
    assert client.ask("/login", method="POST", body="x" * 9000, **kind)[0] == 413
    for body in ("", "password", "\xff\xfe", "password=&password=x"):
        status, headers, _ = client.ask("/login", method="POST", body=body, **kind)
        assert status == 401
        assert "set-cookie" not in headers
    link = http.client.HTTPConnection("127.0.0.1", client.port, timeout=60)
    link.putrequest("POST", "/login")
    for key, value in (("Origin", client.own), ("Transfer-Encoding", "chunked")):
        link.putheader(key, value)
    link.endheaders()
    for _ in range(4):
        link.send(b"1000\r\n" + b"x" * 0x1000 + b"\r\n")
    # It goes on for ever, and is answered all the same.
    assert link.getresponse().status == 413
    link.close()
    foreign = client.enter(origin="http://evil.example")
    assert foreign[0] == 403


def test_read_only(served: Callable[..., Client], overheat: Recording):
    """Whoever is let in sees everything; the server refuses every change, whichever route it is."""
    client = served("--read-only")
    cookie = _cookie(client.enter()[1])
    assert client.ask("/api/recordings/overheat/overview", cookie=cookie)[0] == 200
    asked = '{"recording": "overheat", "kind": "note", "text": "x"}'
    for path in ("/api/requests", "/nowhere"):
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            status, _, text = client.ask(
                path, method=method, body=asked, cookie=cookie, origin=client.own
            )
            assert status == 403, (path, method)
            assert "read-only" in text
    overheat.refresh()
    assert not [event for event in overheat.read_events() if event.kind == "note"]
    assert '"read_only":true' in client.ask("/session", cookie=cookie)[2]


def test_served_to_others(served: Callable[..., Client]):
    """On every address: an address or this machine's name is asked for, no rebound name."""
    client = served("--host", "0.0.0.0")
    for host, status in (
        (f"127.0.0.1:{client.port}", 401),
        (f"10.1.2.3:{client.port}", 401),
        (f"evil.example:{client.port}", 403),
    ):
        assert client.ask("/api/recordings", host=host)[0] == status, host
    elsewhere = {"host": f"10.1.2.3:{client.port}", "origin": f"http://10.1.2.4:{client.port}"}
    assert client.enter(**elsewhere)[0] == 403
    elsewhere["origin"] = f"http://10.1.2.3:{client.port}"
    assert client.enter(**elsewhere)[0] == 303


def test_behind_a_proxy(served: Callable[..., Client]):
    """Under the address that a proxy shows; the cookie then travels over https only."""
    client = served("--origin", "https://duty.example.org")
    shown = {"host": "duty.example.org", "origin": "https://duty.example.org"}
    status, headers, _ = client.enter(**shown)
    assert status == 303
    assert "secure" in headers["set-cookie"].lower()
    cookie = _cookie(headers)
    assert client.ask("/api/live", cookie=cookie, **shown, **UPGRADE)[0] == 101
    passed_on = {**shown, "host": f"127.0.0.1:{client.port}"}
    assert client.ask("/api/live", cookie=cookie, **passed_on, **UPGRADE)[0] == 101


def test_tries_count_by_client_behind_a_proxy(served: Callable[..., Client]):
    """A stranger who tries again and again locks out itself and nobody else behind the proxy."""
    client = served("--origin", "https://duty.example.org", "--trusted-proxy", "127.0.0.1")
    shown = {"host": "duty.example.org", "origin": "https://duty.example.org"}

    def enter(password: str, client_address: str, **more: str) -> int:
        return client.enter(password, x_forwarded_for=client_address, **shown, **more)[0]

    # What the stranger writes into the header itself stands before what the proxy appends.
    statuses = [enter("guess", f"10.9.8.{k}, 203.0.113.9") for k in range(12)]
    assert statuses[:5] == [401] * 5
    assert set(statuses[5:]) == {429}
    assert enter(TYPED, "192.0.2.1") == 303
    assert enter(TYPED, "203.0.113.9") == 429
    assert enter(TYPED, "192.0.2.1", forwarded="for=203.0.113.9") == 303


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--host", "0.0.0.0"], "only with a password"),
        (["--host", "192.0.2.7"], "dutytrace password FILE"),
        (["--origin", "https://bench.lab"], "only with a password"),
        (["--origin", "bench.lab"], "expected the address that the reverse proxy shows"),
        (["--host", "0.0.0.0", "--password-file", "none"], "no such file"),
        (["--trusted-proxy", "proxy.lab"], "--trusted-proxy: found 'proxy.lab'"),
    ],
)
def test_nobody_is_served_without_a_password(tmp_path: Path, options: list[str], said: str):
    """Others are not served by mistake: exit status 2 and one sentence."""
    done = run("dashboard", "--port", "0", *options, "--recordings", str(tmp_path))
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_the_command_writes_the_file(tmp_path: Path):
    """What is piped in is hashed; too short a one is refused with status 2."""
    command = [sys.executable, "-m", "dutytrace", "password", str(tmp_path / "password")]

    def hash_of(typed: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            command, input=typed, capture_output=True, text=True, check=False, timeout=60
        )

    assert hash_of("short\n").returncode == 2
    done = hash_of(f"{TYPED}\n")
    assert done.returncode == 0, done.stderr
    assert TYPED not in done.stdout
    assert (tmp_path / "password").read_text().startswith("$argon2id$")
