"""Cut out and packed through the server: who may, what comes of it, and that nothing is left."""

import json
import shutil
import signal
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import read_manifest
from logger.store.tools.unpack import extract_recording
from replay.check import check_recording
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000


@pytest.fixture
def folder(tmp_path: Path, overheat: Recording) -> Path:
    """Give a recordings folder of its own with the overheat in it."""
    path = tmp_path / "recordings"
    shutil.copytree(overheat.path, path / "overheat")
    return path


def _cut(address: str, content: dict, **headers: str) -> tuple[int, dict]:
    request = urllib.request.Request(
        f"{address}/api/cut",
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
    assert check_recording(cut).is_complete
    assert read_manifest(cut.path).cut_from[0].recording == "overheat"
    with urllib.request.urlopen(
        f"{address}/api/recordings/{answer['path']}/overview", timeout=20
    ) as opened:
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
    with urllib.request.urlopen(f"{address}/api/recordings/overheat/archive", timeout=60) as answer:
        content = answer.read()
        assert int(answer.headers["content-length"]) == len(content)
        assert "overheat.dutytrace.tar" in answer.headers["content-disposition"]
    (tmp_path / "sent.tar").write_bytes(content)
    path = extract_recording(tmp_path / "sent.tar", tmp_path / "theirs")
    assert check_recording(Recording.open(path)).is_complete


def test_what_is_not_sent(serve, get, folder: Path):
    """A live recording, a link that leads out, no recording: a sentence and no file."""
    address = serve(folder)
    with WriteLock(folder / "overheat"):
        status, text = get(f"{address}/api/recordings/overheat/archive")
        assert (status, "dutytrace cut" in text) == (404, True)
    (folder / "overheat" / "frames" / "x.parquet").symlink_to("/etc/hostname")
    for name in ("overheat", "none", "..", "%2e%2e", "overheat%2f.."):
        status, text = get(f"{address}/api/recordings/{name}/archive")
        assert status in {200, 404}
        assert "attachment" not in text
        assert "recording.json" not in text or "fault" in text
    assert get(f"{address}/api/recordings/overheat/archive", {"host": "evil.example"})[0] == 403


@pytest.mark.slow
def test_a_server_that_ends_leaves_no_half_cut(serve, bench, tmp_path: Path, until):
    """Ended in the middle of a long cut, it says so, removes what it had begun, and is gone."""
    folder, hours = tmp_path / "recordings", 1.0
    import_frames(
        simulate_frames(hours=hours, rate_Hz=500.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=500.0),
        limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
        out=folder / "overheat",
        name="Long",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
    )
    address = serve(folder)
    server = bench.processes()[-1]
    with ThreadPoolExecutor(1) as asking:
        asked = asking.submit(_cut, address, {**ASK, "start_s": 0, "end_s": 1e6})
        until(lambda: any(p.name.startswith(".") for p in folder.iterdir()), "a cut is begun")
        server.send_signal(signal.SIGTERM)
        said, _ = server.communicate(timeout=60)
        status, answer = asked.result(20)
    assert (status, "stopped before its end" in answer["fault"]) == (500, True)
    assert "Traceback" not in said
    assert [path.name for path in folder.iterdir()] == ["overheat"]
