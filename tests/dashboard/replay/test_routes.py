"""Who may speak to the server, and what it answers to nonsense."""

import json
import urllib.error
import urllib.request

import pytest

from replay.recording import Recording


def _answer(request: urllib.request.Request) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, fault.read().decode()


def _get(address: str, headers: dict[str, str] | None = None) -> tuple[int, str]:
    return _answer(urllib.request.Request(address, headers=headers or {}))


def _post(address: str, content: dict, headers: dict[str, str]) -> tuple[int, str]:
    sent = {"content-type": "application/json", **headers}
    return _answer(urllib.request.Request(address, data=json.dumps(content).encode(), headers=sent))


@pytest.fixture
def address(serve, overheat: Recording) -> str:
    """Give a server over the folder with the overheat."""
    return serve(overheat.path.parent)


def test_the_routes_of_replay(address: str):
    """The list, an opened recording, rows and a span; nonsense is brought into range."""
    status, text = _get(f"{address}/past")
    assert status == 200
    assert [row["name"] for row in json.loads(text)["rows"]] == ["Overheat"]
    for query in ("start=-5&end=1e99", "start=nan&end=inf", "start=9&end=3", "start=0&end=1"):
        assert _get(f"{address}/past/overheat/rows?{query}&width=-4&form=x&theme=y")[0] == 200
        assert _get(f"{address}/past/overheat/span?{query}")[0] == 200
    assert _get(f"{address}/past/overheat/rows?start=a&end=b")[0] == 422


def test_a_name_never_leaves_the_folder(address: str):
    """Dots, slashes and names of nothing are answered with a sentence."""
    for name in ("..", "%2e%2e", "..%2f..", "nothing", "overheat%2f..", "~", "%00"):
        status, text = _get(f"{address}/past/{name}/opened")
        assert status in {404, 422, 200}
        assert '"strip"' not in text
    ask = {"recording": "../overheat", "kind": "note", "text": "x"}
    assert _post(f"{address}/ask", ask, {"origin": address})[0] == 404


def test_foreign_pages_and_hosts_are_turned_away(address: str, overheat: Recording):
    """A rebound Host, a foreign Origin and a change without an Origin get nothing."""
    assert _get(f"{address}/past", {"host": "evil.example"})[0] == 403
    ask = {"recording": "overheat", "kind": "note", "text": "x"}
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        assert _post(f"{address}/ask", ask, headers)[0] == 403
    overheat.refresh()
    assert not [event for event in overheat.read_events() if event.kind == "note"]


def test_every_first_page_brings_its_style(serve, overheat: Recording):
    """The very first request may be of any page: it names style and scripts, all of this server."""
    status, text = _get(f"{serve(overheat.path.parent)}/replay/overheat")
    assert status == 200
    for name in ("look.css", "draw.js", "live.js", "replay.js"):
        assert name in text
    assert 'src="http' not in text
    assert 'href="http' not in text
