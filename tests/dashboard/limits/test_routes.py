"""The routes of the Limits page, asked by hand."""

import contextlib
import http.client
import json
import urllib.error
import urllib.request
from typing import Any

import pytest

from replay.recording import Recording


@pytest.fixture
def address(serve_once, overheat: Recording) -> str:
    """Give the address of a server over a folder with the overheat in it."""
    return serve_once(overheat.path.parent)


def _post(address: str, body: str, *, origin: str = "") -> tuple[int, str]:
    own = address[: address.index("/api")]
    headers = {"content-type": "application/json", "origin": origin or own}
    request = urllib.request.Request(address, data=body.encode(), headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, fault.read().decode()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('{"name": "x", "above": null}', "limit[1]"),
        ('{"name": "x", "above": NaN}', "found NaN, expected a number"),
        ('{"above": 3}', "limit[1]"),
        ("{}", "limit[1]"),
        ('{"name": {"a": 1}}', "limit[1]"),
    ],
)
def test_limits_that_are_none_are_not_handed_over(
    address: str, overheat: Recording, table: str, words: str
):
    """Whatever stands in them, the answer is a sentence."""
    body = f'{{"recording": "{overheat.path.name}", "tables": [{table}]}}'
    status, text = _post(f"{address}/api/limits/deploy", body)
    assert status == 400
    assert words in json.loads(text)["fault"]


def test_a_foreign_page_tries_nothing(address: str):
    """A page from elsewhere cannot make the server work, nor be handed anything over."""
    for name in ("evaluate", "curve", "exact", "sweep", "file", "jobs/stop", "parse", "deploy"):
        status, _ = _post(f"{address}/api/limits/{name}", "{}", origin="http://elsewhere.example")
        assert status == 403, name


def test_what_is_too_long_is_not_read(address: str):
    """A request of megabytes is refused by its length."""
    host = address.removeprefix("http://")
    headers = {"content-type": "application/json", "origin": address}
    with contextlib.closing(http.client.HTTPConnection(host, timeout=60)) as link:
        # The server answers and closes without reading on, maybe before all was sent.
        with contextlib.suppress(ConnectionError):
            link.request("POST", "/api/limits/evaluate", " " * 3_000_000, headers)
        with link.getresponse() as answer:
            assert answer.status == 413
            assert "longer than" in json.load(answer)["fault"]


def _curve(address: str, recording: str, table: dict[str, Any]) -> dict[str, Any]:
    body = {"recordings": [recording], "tables": [table], "chosen": table["name"]}
    status, text = _post(f"{address}/api/limits/curve", json.dumps(body))
    assert status == 200
    told: dict[str, Any] = json.loads(text)
    return told


def test_each_joint_is_held_against_its_own_curve(address: str, overheat: Recording):
    """A share of rated is another current on each joint; one setting is one curve for all."""
    table: dict[str, Any] = {
        "name": "overload", "kind": "inverse-time", "severity": "warning", "channel": "current_A",
        "curve": "C", "tms": 0.5,
    }  # fmt: skip
    told = _curve(address, overheat.path.name, {**table, "setting_rated": 1.0})
    limits = [
        trace for trace in told["figure"]["data"] if trace["hovertemplate"].startswith("the limit")
    ]
    assert [trace["hovertemplate"].split(":")[0] for trace in limits] == [
        "the limit on shoulder",
        "the limit on elbow",
    ]
    rated = [overheat.bench.joint_named(joint).rated.current for joint in ("shoulder", "elbow")]
    assert limits[0]["x"][0] / limits[1]["x"][0] == pytest.approx(rated[0] / rated[1], rel=1e-3)
    told = _curve(address, overheat.path.name, {**table, "setting": 6.0})
    assert "setting 6" in told["title"]
    lines = [one["hovertemplate"] for one in told["figure"]["data"]]
    assert sum(line.startswith("the limit:") for line in lines) == 1
