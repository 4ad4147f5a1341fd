"""What clients may have of the server, over real connections: how many, how long, how much."""

import asyncio
import json
import socket
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress

import pytest
from starlette.types import Receive, Scope, Send

from dashboard.server.bounded_http import ConnectionBounds
from tests.support.web import connected, is_open, read_to_end, served, wait_until

GET = b"GET /quick HTTP/1.1\r\nhost: x\r\n\r\n"
LAST_GET = b"GET /quick HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n"
HALF = b"GET /quick HTTP/1.1\r\nhost: x\r\n"
SLOW = b"GET /slow HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n"
HALF_BODY = b"POST /reads HTTP/1.1\r\nhost: x\r\ncontent-length: 9\r\n\r\nhalf"


begun: Counter[str] = Counter()
"""How many requests for each path have reached the application."""


async def application(scope: Scope, receive: Receive, send: Send) -> None:
    """Answer at once; /slow after 1.5 s, /reads after the body, /long at length."""
    if scope["type"] == "lifespan":
        return
    path = scope["path"]
    begun[path] += 1
    body = b"quick"
    if path == "/slow":
        await asyncio.sleep(1.5)
    elif path == "/reads":
        more = True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            more = message["more_body"]
    elif path == "/long":
        body = bytes(30_000_000)
    headers = [(b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": body})


@pytest.fixture
def serve_with() -> Iterator[Callable[..., int]]:
    """Serve with bounds of one's own; returns the port."""
    with ExitStack() as stack:
        yield lambda **bounds: stack.enter_context(served(application, ConnectionBounds(**bounds)))


def _status_of(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


def _sentence_of(answer: bytes) -> str:
    head, _, body = answer.partition(b"\r\n\r\n")
    assert b"connection: close" in head
    assert f"content-length: {len(body)}".encode() in head
    return json.loads(body)["fault"]


def _half_requests(port: int, count: int, text: bytes = HALF, **more: str) -> list[socket.socket]:
    return [connected(port, text, **more) for _ in range(count)]


def _under_way(port: int, count: int, **more: str) -> list[socket.socket]:
    """Return connections whose requests have arrived, and take long.

    Connections that come all at once are taken before anything that they said is read.
    """
    reached = begun["/slow"] + count
    links = _half_requests(port, count, SLOW, **more)
    assert wait_until(lambda: begun["/slow"] >= reached)
    return links


@pytest.mark.parametrize("text", [b"G", HALF, HALF_BODY, GET + HALF, HALF_BODY.replace(b"9", b"5")])
def test_a_request_has_to_arrive(serve_with, text: bytes):
    """One that stops half way is answered 408 and closed, wherever it stops."""
    port = serve_with(request_s=0.3)
    answer = read_to_end(connected(port, text))
    if text.startswith(GET):
        assert _status_of(answer) == 200
        answer = answer[answer.index(b"quick") + 5 :]
    assert _status_of(answer) == 408
    assert "did not arrive whole within 0.3 seconds" in _sentence_of(answer)


def test_slow_drops_are_no_way_round(serve_with):
    """A byte now and then keeps no connection: it is the whole request that has a time."""
    link = connected(serve_with(request_s=0.5), b"GET / HTTP/1.1\r\nx: ")
    begun_s = time.monotonic()
    dropped = 0
    try:
        while is_open(link) and time.monotonic() - begun_s < 20:
            link.sendall(b"x")
            dropped += 1
    except OSError:
        pass
    assert dropped > 1
    assert time.monotonic() - begun_s < 20
    link.close()


def test_a_connection_on_which_nothing_comes_is_closed(serve_with):
    """Browsers open some in advance: no answer to a question that was never put."""
    assert read_to_end(connected(serve_with(request_s=0.3))) == b""


def test_a_long_answer_has_its_time(serve_with):
    """What has arrived whole is answered, however long it takes, also before a half request."""
    port = serve_with(request_s=0.5)
    assert _status_of(read_to_end(connected(port, SLOW))) == 200
    answers = read_to_end(connected(port, SLOW.replace(b"connection: close\r\n", b"") + HALF))
    assert [_status_of(answers), answers.count(b"HTTP/1.1 408")] == [200, 1]


@pytest.mark.parametrize(
    "text",
    [
        b"GET / HTTP/1.1\r\nx: " + b"x" * 200_000,
        b"GET /" + b"x" * 200_000,
        b"GET / HTTP/1.1\r\n" + b"x: y\r\n" * 40_000,
        b"GET / HTTP/1.1\r\nx: " + b"x" * 70_000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nx: " + b"x" * 70_000 + b"\r\n\r\n\x01 no request\r\n\r\n",
        b"GET / HTTP/1.1\r\nupgrade: websocket\r\nconnection: upgrade\r\nx: "
        + b"x" * 70_000
        + b"\r\n\r\n",
    ],
)
def test_a_head_may_be_so_long(serve_with, text: bytes):
    """Address or headers without an end are answered 431, whole or not."""
    answer = read_to_end(connected(serve_with(), text))
    assert _status_of(answer) == 431
    assert "longer than 65536 bytes" in _sentence_of(answer)


def test_an_address_that_holds_limits_fits(serve_with):
    """The longest address that a page makes is answered, with itself in the Referer."""
    token = b"x" * 30_000
    head = b"GET /?judged=%b HTTP/1.1\r\nreferer: /?judged=%b\r\n" % (token, token)
    text = head + b"connection: close\r\n\r\n"
    assert _status_of(read_to_end(connected(serve_with(), text))) == 200


def test_what_follows_an_answer_is_not_read_for_ever(serve_with):
    """Of a body that nobody reads so much is let through, then the connection is cut."""
    link = connected(serve_with(), b"POST /quick HTTP/1.1\r\ncontent-length: 999999999\r\n\r\n")
    sent = 0
    with link, suppress(ConnectionError):
        while sent < 200_000_000:
            sent += link.send(bytes(100_000))
    assert 1_000_000 < sent < 100_000_000


def test_half_requests_keep_nobody_out(serve_with):
    """Far more than there are connections, from this machine: whoever asks is answered."""
    port = serve_with(max_connections=20)
    halves = _half_requests(port, 60) + _half_requests(port, 60, HALF_BODY)
    halves += _half_requests(port, 60, b"")
    try:
        for _ in range(3):
            assert _status_of(read_to_end(connected(port, LAST_GET))) == 200
        assert wait_until(lambda: sum(is_open(link) for link in halves) <= 20)
    finally:
        for link in halves:
            link.close()


def test_the_oldest_half_request_is_told_why(serve_with):
    """What gives way is answered 503 with a sentence, as far as it has asked for anything."""
    port = serve_with(max_connections=4)
    halves = _half_requests(port, 3)
    # Once it is answered, what the others have said is read as well.
    answered = connected(port, GET)
    assert answered.recv(1000).startswith(b"HTTP/1.1 200")
    with answered, connected(port):
        answer = read_to_end(halves[0])
        assert _status_of(answer) == 503
        assert "Too many connections are open" in _sentence_of(answer)
        assert all(is_open(link) for link in halves[1:])
    for link in halves[1:]:
        link.close()


def test_requests_under_way_stay(serve_with):
    """Where all connections wait for their answers the newcomer is refused: 503, try again."""
    port = serve_with(max_connections=3)
    under_way = _under_way(port, 3)
    answer = read_to_end(connected(port, LAST_GET))
    assert _status_of(answer) == 503
    assert "Try again in a moment." in _sentence_of(answer)
    assert [_status_of(read_to_end(link)) for link in under_way] == [200, 200, 200]
    assert _status_of(read_to_end(connected(port, LAST_GET))) == 200


def test_one_client_has_its_share(serve_with):
    """Whoever opens all that it can keeps room for others, and its own requests come through."""
    port = serve_with(max_connections=100, max_connections_each=5, is_shared=lambda _: False)
    greedy = _under_way(port, 5, source="127.0.0.2")
    answer = read_to_end(connected(port, LAST_GET, source="127.0.0.2"))
    assert _status_of(answer) == 503
    assert "Your machine has too many connections" in _sentence_of(answer)
    assert _status_of(read_to_end(connected(port, LAST_GET, source="127.0.0.3"))) == 200
    assert [_status_of(read_to_end(link)) for link in greedy] == [200] * 5


def test_a_proxy_has_all_of_them(serve_with):
    """Many ask through one address: its share is no smaller than that of all."""
    port = serve_with(max_connections=100, max_connections_each=5)
    assert [_status_of(read_to_end(link)) for link in _half_requests(port, 12, SLOW)] == [200] * 12


def test_kept_alive_connections_go_last(serve_with):
    """A browser between two requests keeps its connections while half requests come and go."""
    port = serve_with(max_connections=6)
    browser = connected(port, GET)
    assert browser.recv(1000).startswith(b"HTTP/1.1 200")
    halves = _half_requests(port, 30)
    browser.sendall(GET)
    assert browser.recv(1000).startswith(b"HTTP/1.1 200")
    for link in (browser, *halves):
        link.close()


def test_an_answer_has_to_be_taken(serve_with):
    """A client that reads nothing of a long answer is cut off, and the server forgets it."""
    port = serve_with(stall_s=0.3)
    link = socket.socket()
    link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    link.settimeout(30)
    link.connect(("127.0.0.1", port))
    link.sendall(b"GET /long HTTP/1.1\r\nhost: x\r\n\r\n")
    time.sleep(1.5)
    assert len(read_to_end(link)) < 30_000_000
