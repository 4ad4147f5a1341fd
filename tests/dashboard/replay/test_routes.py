"""Who may speak to the server, and what it answers to nonsense."""

import json
import re
import urllib.error
import urllib.request

import pytest

from dashboard.server.browser_modules import STYLE_SHEETS
from replay.recording import Recording


def _answer(request: urllib.request.Request) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
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
def address(serve_once, overheat: Recording) -> str:
    """Give a server over the folder with the overheat."""
    return serve_once(overheat.path.parent)


def test_the_routes_of_replay(address: str):
    """The list, an opened recording, rows and a span; nonsense is brought into range."""
    status, text = _get(f"{address}/api/recordings")
    assert status == 200
    assert [row["name"] for row in json.loads(text)["rows"]] == ["Overheat"]
    at = f"{address}/api/recordings/overheat"
    for query in ("start=-5&end=1e99", "start=nan&end=inf", "start=9&end=3", "start=0&end=1"):
        assert _get(f"{at}/window?{query}&width=-4&form=x&theme=y")[0] == 200
        assert _get(f"{at}/span?{query}")[0] == 200
    status, text = _get(f"{at}/window?start=a&end=b")
    assert status == 422
    assert json.loads(text)["fault"].startswith("start: ")


def test_a_name_never_leaves_the_folder(address: str):
    """Dots, slashes and names of nothing are answered with a sentence."""
    for name in ("..", "%2e%2e", "..%2f..", "nothing", "overheat%2f..", "~", "%00"):
        status, text = _get(f"{address}/api/recordings/{name}/overview")
        assert status in {404, 422, 200}
        assert '"strip"' not in text
    ask = {"recording": "../overheat", "kind": "note", "text": "x"}
    assert _post(f"{address}/api/requests", ask, {"origin": address})[0] == 404


def test_an_address_of_nothing_is_not_answered_with_a_page(address: str):
    """Below /api/ what no route answers is 404 and a sentence; any other address is a page."""
    for path in ("/api/nowhere", "/api/", "/api/recordings/overheat/nowhere", "/api/requests"):
        status, text = _get(f"{address}{path}")
        assert status == 404, path
        assert json.loads(text)["fault"] == f"This server answers nothing at GET {path}."
    status, text = _post(f"{address}/api/nowhere", {}, {"origin": address})
    assert status == 404
    assert json.loads(text)["fault"] == "This server answers nothing at POST /api/nowhere."
    odd = _get(f"{address}/api/recordings/..%2f../bus")[1]
    assert json.loads(odd)["fault"] == "There is no recording of that name."
    assert "<html" in _get(f"{address}/nowhere")[1]


def test_foreign_pages_and_hosts_are_turned_away(address: str, overheat: Recording):
    """A rebound Host, a foreign Origin and a change without an Origin get nothing."""
    assert _get(f"{address}/api/recordings", {"host": "evil.example"})[0] == 403
    ask = {"recording": "overheat", "kind": "note", "text": "x"}
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        assert _post(f"{address}/api/requests", ask, headers)[0] == 403
    overheat.refresh()
    assert not [event for event in overheat.read_events() if event.kind == "note"]


def test_every_first_page_brings_its_style(serve, overheat: Recording):
    """The very first request may be of any page: it names style and scripts, all of this server."""
    status, text = _get(f"{serve(overheat.path.parent)}/replay/overheat")
    assert status == 200
    for name in ("base.css", "main.mjs", "live/page.mjs", "replay/page.mjs"):
        assert name in text
    assert 'src="http' not in text
    assert 'href="http' not in text


def test_the_page_loads_its_style_sheets_in_the_stated_order(serve_once, overheat: Recording):
    """Each once, all of one version, none by Dash in the order of the alphabet."""
    status, text = _get(f"{serve_once(overheat.path.parent)}/replay")
    assert status == 200
    links = re.findall(r'<link[^>]*rel="stylesheet"[^>]*href="([^"]+)"', text)
    own = [link for link in links if "/modules/" in link or "/assets/" in link]
    assert [link.rpartition("/")[2] for link in own] == list(STYLE_SHEETS)
    assert len({link.rpartition("/")[0] for link in own}) == 1


def test_dash_loads_no_module_by_itself(serve_once, overheat: Recording):
    """Each module is named once for loading ahead, and only the first one is a script."""
    status, text = _get(f"{serve_once(overheat.path.parent)}/replay")
    assert status == 200
    scripts = re.findall(r'<script[^>]*src="([^"]+)"', text)
    assert [src for src in scripts if ".mjs" in src] == re.findall(r'src="(/modules/[^"]+)"', text)
    assert len([src for src in scripts if src.startswith("/modules/")]) == 1
    assert text.count("replay/page.mjs") == 1
    assert "plotly.min" not in "".join(scripts)


def test_modules_are_served_as_one_version(serve_once, overheat: Recording):
    """The page's own version is JavaScript that may be kept; another version is not there."""
    address = serve_once(overheat.path.parent)
    main = re.findall(r'src="(/modules/[^"]+)"', _get(f"{address}/replay")[1])[0]
    with urllib.request.urlopen(f"{address}{main}", timeout=60) as answer:
        assert answer.headers["content-type"].startswith("text/javascript")
        assert "immutable" in answer.headers["cache-control"]
    assert _get(f"{address}/modules/0/main.mjs")[0] == 404
