"""Cut out and packed through the server: who may, what comes of it, and that nothing is left."""

import asyncio
import json
import shutil
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from fastapi import FastAPI

from dashboard.guard import Guard
from dashboard.hand_on import add_cut_route
from dashboard.shelf import Shelf
from logger.store.lock import WriteLock
from logger.store.manifest import read_manifest
from logger.store.unpack import unpack
from replay.check import check
from replay.recording import Recording


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder of its own with the overheat in it."""
    path = tmp_path / "recordings"
    shutil.copytree(overheat.path, path / "overheat")
    return path


def _cut(address: str, content: dict, **headers: str) -> tuple[int, dict]:
    request = urllib.request.Request(
        f"{address}/cut",
        data=json.dumps(content).encode(),
        headers={"content-type": "application/json", "origin": address, **headers},
    )
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as fault:
        with fault:
            text = fault.read().decode()
            return fault.code, json.loads(text) if text.startswith("{") else {"fault": text}


ASK = {"recording": "overheat", "start_s": 60.5, "end_s": 120.25}


def test_a_span_is_cut_out_beside_the_others(serve, folder: Path):
    """A recording like any other, listed and opened; a second one of the span has its own name."""
    address = serve(folder)
    status, answer = _cut(address, {**ASK, "name": "Hot part"})
    assert (status, answer["missing"]) == (200, [])
    cut = Recording.open(folder / answer["path"])
    assert (cut.name, cut.end_ns - cut.start_ns) == ("Hot part", 59_750_000_000)
    assert check(cut).whole
    assert read_manifest(cut.path).cut_from[0].recording == "overheat"
    with urllib.request.urlopen(f"{address}/past/{answer['path']}/opened", timeout=20) as opened:
        assert json.load(opened)["packs"] is True
    assert _cut(address, {**ASK, "name": "Hot part"})[1]["path"] == f"{answer['path']}-2"
    assert not [path for path in folder.iterdir() if path.name.startswith(".")]


def test_who_may_not_cut(serve, folder: Path):
    """A foreign page, nonsense, a name that leads elsewhere, a read-only server: a sentence."""
    address = serve(folder)
    assert _cut(address, ASK, origin="http://evil.example")[0] == 403
    for wrong in (
        {"start_s": -1},
        {"start_s": float("nan")},
        {"end_s": "x"},
        {"recording": "../overheat"},
        {"recording": "none"},
        {"start_s": 1e6, "end_s": 2e6},
        {"more": 1},
        {"name": "x" * 101},
    ):
        status, answer = _cut(address, {**ASK, **wrong})
        assert status in {400, 404}, wrong
        assert answer["fault"]
    status, answer = _cut(serve(folder, "--read-only"), ASK)
    assert (status, "read-only" in answer["fault"]) == (403, True)
    assert [path.name for path in folder.iterdir()] == ["overheat"]


def test_a_packed_recording_is_sent(serve, folder: Path, tmp_path: Path):
    """From a read-only server too: its length is told, and unpacked it is the recording."""
    address = serve(folder, "--read-only")
    with urllib.request.urlopen(f"{address}/past/overheat/packed", timeout=60) as answer:
        content = answer.read()
        assert int(answer.headers["content-length"]) == len(content)
        assert "overheat.dutytrace.tar" in answer.headers["content-disposition"]
    (tmp_path / "sent.tar").write_bytes(content)
    path = unpack(tmp_path / "sent.tar", tmp_path / "theirs")
    assert check(Recording.open(path)).whole


def test_what_is_not_sent(serve, get, folder: Path):
    """A live recording, a link that leads out, no recording: a sentence and no file."""
    address = serve(folder)
    with WriteLock(folder / "overheat"):
        status, text = get(f"{address}/past/overheat/packed")
        assert (status, "dutytrace cut" in text) == (404, True)
    (folder / "overheat" / "frames" / "x.parquet").symlink_to("/etc/hostname")
    for name in ("overheat", "none", "..", "%2e%2e", "overheat%2f.."):
        status, text = get(f"{address}/past/{name}/packed")
        assert status in {200, 404}
        assert "attachment" not in text
        assert "recording.json" not in text or "fault" in text
    assert get(f"{address}/past/overheat/packed", {"host": "evil.example"})[0] == 403


def test_a_server_that_ends_leaves_no_half_cut(folder: Path):
    """A cut that runs when the server ends is stopped, and removes what it had begun."""
    server = FastAPI()
    add_cut_route(server, Shelf(folder), Guard(port=1))
    body = json.dumps(ASK).encode()
    host = [(b"host", b"127.0.0.1:1"), (b"origin", b"http://127.0.0.1:1")]
    http = {
        "type": "http", "method": "POST", "path": "/cut", "headers": host, "query_string": b"",
    }  # fmt: skip
    told: list[dict] = []

    async def speak(scope: dict, *messages: dict) -> None:
        left = list(messages)

        async def receive() -> dict:
            return left.pop(0)

        async def send(message: dict) -> None:
            told.append(message)

        await server(scope, receive, send)

    async def run() -> None:
        await speak(
            {"type": "lifespan", "state": {}},
            {"type": "lifespan.startup"},
            {"type": "lifespan.shutdown"},
        )
        await speak(http, {"type": "http.request", "body": body})

    asyncio.run(run())
    assert told[-2]["status"] == 500
    assert b"stopped before its end" in told[-1]["body"]
    assert [path.name for path in folder.iterdir()] == ["overheat"]
