"""One case: a hostile input, drawn from seed and number, given to commands or to the server.

A fault is a traceback, an exit status that README does not list, an answer of 500 to a request
about a sound recording, steering characters on the terminal, or a neighbour that is harmed.
"""

import asyncio
import contextlib
import io
import json
import random
import re
import shutil
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import dutytrace
from dashboard.access.session_middleware import Access
from dashboard.app import build_server
from dashboard.live.session import LiveSession
from dashboard.live.snapshot import Snapshot
from dashboard.server.job_queue import JobQueue
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError
from replay.recording import Recording
from tests.fuzz.asking import ask_server, hostile_address
from tests.fuzz.corpus import Corpus, post_bodies
from tests.fuzz.damage import mutate_recording
from tests.fuzz.mutations import (
    hostile_value,
    mutate_bytes,
    mutate_json,
    mutate_toml,
)
from tests.fuzz.tars import mutate_tar

__all__ = ["KINDS", "Bench"]

_STATUSES: Final = frozenset({0, 1, 2, 3})
_STEERING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
KINDS: Final = ("recording", "settings", "tar", "request")


class _IdleJobs(JobQueue):
    """Takes jobs and does none: they would run in processes that outlive the case."""

    def submit(self, owner: str, function: Callable[..., dict[str, Any]]) -> int:
        del owner, function
        return 1


class Bench:
    """Runs cases, one after the other, in a working folder."""

    def __init__(self, corpus: Corpus, work: Path) -> None:
        self._corpus = corpus
        self._work = work
        self._cache = RecordingCache(work / "none")
        self._server = build_server(
            self._cache,
            guard=OriginPolicy(port=1),
            access=Access(),
            stop=threading.Event(),
            jobs=_IdleJobs(threading.Event()),
        )
        self._faults: list[str] = []
        self._told: list[str] = []

    def run(self, seed: int, number: int) -> tuple[list[str], list[str]]:
        """Run a case; return its faults, and what it did."""
        draw = random.Random(f"{seed}:{number}")
        self._faults, self._told = [], []
        folder = self._work / f"case-{number}"
        folder.mkdir()
        self._cache.folder = folder / "recordings"
        kind = KINDS[number % len(KINDS)]
        try:
            getattr(self, f"_run_{kind}")(folder, draw)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return self._faults, self._told

    # ---- commands ----

    def _command(self, *arguments: str, also: frozenset[int] = frozenset()) -> None:
        """Run a command in this process, and hold what it does to what it may do."""
        self._told.append("dutytrace " + " ".join(arguments))
        out, err = io.StringIO(), io.StringIO()
        handlers = {
            one: signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        }
        before, sys.argv = sys.argv, ["dutytrace", *arguments]
        status: object = None
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                dutytrace.main()
        except SystemExit as ended:
            status = ended.code or 0
        except BaseException:  # noqa: BLE001 - whatever comes out is the finding
            self._fault(traceback.format_exc())
            return
        finally:
            sys.argv = before
            for one, handler in handlers.items():
                signal.signal(one, handler)
        if status not in _STATUSES | also:
            self._fault(f"exit status {status!r}: {err.getvalue()[-800:]}")
        if status in {2, 3} and not err.getvalue().strip():
            self._fault(f"exit status {status} without a word")
        if "Traceback" in err.getvalue():
            self._fault(err.getvalue()[-3000:])
        for text in (out.getvalue(), err.getvalue()):
            found = _STEERING.search(text)
            if found:
                around = text[max(0, found.start() - 60) : found.end() + 60]
                self._fault(f"steers the terminal: {around!r}")

    def _fault(self, what: str) -> None:
        self._faults.append(f"{self._told[-1] if self._told else ''}\n{what}")

    def _run_recording(self, folder: Path, draw: random.Random) -> None:
        recordings = folder / "recordings"
        recordings.mkdir()
        source = draw.choice((self._corpus.ended, self._corpus.unclosed))
        # A name of its own: the server keeps what it has opened by name.
        path = recordings / f"{folder.name}-bad"
        shutil.copytree(source, path)
        mutate_recording(path, draw)
        self._told.append(f"a damaged {source.name} recording")
        settings = self._corpus.settings
        limits = str(settings / "limits.toml")
        commands: list[tuple[str, ...]] = [
            ("check", str(path)),
            ("check", str(path), "--json"),
            ("excursions", str(path)),
            ("excursions", str(path), "--limits", limits, "--json"),
            ("seal", str(path)),
            ("export", str(path), "--out", str(folder / "out.csv")),
            ("export", str(path), "--out", str(folder / "out.parquet")),
            ("cut", str(path), "--from", "3s", "--to", "20s", "--out", str(recordings / "cut")),
            ("pack", str(path), "--out", str(folder / "out.tar")),
            ("note", str(path), "a note"),
            ("acknowledge", str(path), "1"),
            ("shelve", str(path), "1", "--for", "30min"),
            (
                "redecode",
                str(path),
                "--bench",
                str(settings / "bench.toml"),
                "--out",
                str(recordings / "again"),
            ),
            (
                "tune",
                str(path),
                "--limits",
                limits,
                "--sweep",
                str(settings / "sweep.toml"),
                "--jobs",
                "1",
            ),
            (
                "join",
                str(path),
                str(settings / "table.csv"),
                "--time",
                "t",
                "--column",
                "temperature_ambient_degC=ambient",
            ),
            ("record", "--continue", str(path), "--duration", "0.1s"),
        ]
        if draw.random() < 0.4:
            self._ask_about(path, draw)
        for command in draw.sample(commands, 3):
            self._command(*command)
        self._command("check", str(path))

    def _run_settings(self, folder: Path, draw: random.Random) -> None:
        settings = folder / "settings"
        shutil.copytree(self._corpus.settings, settings)
        changed = draw.choice(sorted(settings.glob("*.*")))
        if changed.suffix == ".toml":
            text = mutate_toml(changed.read_text(encoding="utf-8"), draw)
            changed.write_text(text, encoding="utf-8", errors="replace")
        else:
            changed.write_bytes(mutate_bytes(changed.read_bytes(), draw))
        self._told.append(f"changed {changed.name}")
        sound = str(self._corpus.ended)
        bench, layout = str(settings / "bench.toml"), str(settings / "harvest-joint.toml")
        log, limits = str(settings / "trace.log"), str(settings / "limits.toml")
        every, sweep = str(settings / "every.toml"), str(settings / "sweep.toml")
        table, columns = str(settings / "table.csv"), str(settings / "table.toml")
        new = str(folder / "made")
        commands: dict[str, list[tuple[str, ...]]] = {
            "bench.toml": [
                ("limits", "check", limits, "--bench", bench),
                ("decode", bench, "0x4D6", "60 C9 56 00 4F"),
                ("import", log, "--bench", bench, "--out", new),
                ("redecode", sound, "--bench", bench, "--out", new),
            ],
            "harvest-joint.toml": [
                ("decode", bench, "4D6#60C956004F"),
                ("layout", "try", layout, "--log", log, "--bench", bench, "--once"),
                ("layout", "try", layout, "--log", log, "--once"),
                ("import", log, "--bench", bench, "--out", new),
            ],
            "limits.toml": [
                ("limits", "check", limits, "--bench", bench),
                ("excursions", sound, "--limits", limits),
                ("import", log, "--bench", bench, "--limits", limits, "--out", new),
                ("tune", sound, "--limits", limits, "--sweep", sweep, "--jobs", "1"),
            ],
            "every.toml": [
                ("limits", "check", every, "--bench", bench),
                ("excursions", sound, "--limits", every),
                ("limits", "curve", "overload", "--limits", every),
                ("import", log, "--bench", bench, "--limits", every, "--out", new),
            ],
            "sweep.toml": [
                ("tune", sound, "--limits", limits, "--sweep", sweep, "--jobs", "1", "--json"),
            ],
            "tell.toml": [
                (
                    "record",
                    bench,
                    "--tell",
                    str(settings / "tell.toml"),
                    "--out",
                    new,
                    "--duration",
                    "0.1s",
                ),
            ],
            "trace.log": [
                ("import", log, "--bench", bench, "--out", new),
                ("import", log, "--bench", bench, "--out", new, "--tolerant"),
                ("layout", "try", layout, "--log", log, "--bench", bench, "--once"),
            ],
            "table.csv": [
                ("import", table, "--bench", bench, "--out", new),
                ("import", table, "--bench", columns, "--limits", limits, "--out", new),
                ("import", table, "--bench", columns, "--out", new, "--json"),
            ],
            "table.toml": [
                ("import", table, "--bench", columns, "--out", new),
                ("record", columns, "--out", new, "--duration", "0.1s"),
            ],
        }
        known = commands[changed.name]
        for command in draw.sample(known, min(2, len(known))):
            shutil.rmtree(new, ignore_errors=True)
            self._command(*command)

    def _run_tar(self, folder: Path, draw: random.Random) -> None:
        packed = folder / "sent.dutytrace.tar"
        packed.write_bytes(mutate_tar(self._corpus.packed.read_bytes(), draw))
        self._told.append("a changed tar")
        recordings = folder / "recordings"
        self._command("unpack", str(packed), "--recordings", str(recordings))
        left = sorted(entry.name for entry in recordings.glob(".*")) if recordings.is_dir() else []
        if left:
            self._fault(f"left behind: {left}")

    # ---- the server ----

    def _run_request(self, folder: Path, draw: random.Random) -> None:
        recordings = folder / "recordings"
        recordings.mkdir()
        path = recordings / f"{folder.name}-sound"
        shutil.copytree(self._corpus.ended, path)
        for _ in range(4):
            if draw.random() < 0.5:
                address = hostile_address(path.name, draw)
                self._request("GET", address, b"", allowed=500)
            else:
                self._post(path.name, draw)
        self._live_messages(path, draw)

    def _post(self, name: str, draw: random.Random) -> None:
        bodies = post_bodies(name)
        address = draw.choice(sorted(bodies))
        changed = mutate_json(bodies[address], draw)
        try:
            body = json.dumps(changed).encode()
        except ValueError:
            body = b'{"recordings": [' + b"9" * 6000 + b"]}"
        if draw.random() < 0.15:
            body = mutate_bytes(body, draw)
        self._request("POST", address, body, allowed=500)

    def _ask_about(self, path: Path, draw: random.Random) -> None:
        """Ask the server about a damaged recording that has a sound neighbour."""
        sound = path.with_name(f"{path.parent.parent.name}-sound")
        shutil.copytree(self._corpus.ended, sound)
        name = path.name
        for address in draw.sample(
            [
                f"/api/recordings/{name}/overview",
                f"/api/recordings/{name}/window?start=0&end=30",
                f"/api/recordings/{name}/span?start=0&end=30",
                f"/api/recordings/{name}/excursions?first=0&count=5",
                f"/api/recordings/{name}/bus",
                f"/api/recordings/{name}/archive",
                f"/api/recordings/{sound.name}/window?start=0&end=30&over={name}",
            ],
            2,
        ):
            self._request("GET", address, b"", allowed=501)
        for address, key in (
            ("/api/recordings", "rows"),
            ("/api/limits", "recordings"),
            ("/api/bus/recordings", "recordings"),
        ):
            status, answer = self._request("GET", address, b"", allowed=500)
            if status != 200:
                self._fault(f"{address}: {status}, and with it the sound neighbour is not listed")
                continue
            rows = {row["path"]: row for row in json.loads(answer)[key]}
            if sound.name not in rows or rows[sound.name].get("fault"):
                self._fault(f"{address}: the sound neighbour is not listed")
        shutil.rmtree(sound)

    def _request(
        self, method: str, address: str, body: bytes, *, allowed: int
    ) -> tuple[int, bytes]:
        """Ask the server; a status from `allowed` on is a fault."""
        self._told.append(f"{method} {address[:300]} {body[:2000]!r}")
        try:
            status, answer = asyncio.run(ask_server(self._server, method, address, body))
        except DutytraceError as error:
            if address.endswith("/archive"):
                # The answer has begun: that it ends early is how a browser learns of it.
                return 500, b""
            self._fault(f"{error!r}\n{traceback.format_exc()}")
            return 500, b""
        except Exception:  # noqa: BLE001 - whatever comes out is the finding
            self._fault(traceback.format_exc())
            return 500, b""
        if status >= allowed:
            self._fault(f"status {status}: {answer[:300]!r}")
        if b"Traceback" in answer:
            self._fault(answer[-2000:].decode(errors="replace"))
        return status, answer

    def _live_messages(self, path: Path, draw: random.Random) -> None:
        """Send a live page's messages, changed, to its session."""
        look = {
            "kind": "look",
            "window_s": 60.0,
            "width": 900,
            "height": 440,
            "form": "normal",
            "zone": "UTC",
        }
        message = mutate_json(look, draw)
        self._told.append(f"live message {str(message)[:300]}")
        try:
            session = LiveSession()
            if isinstance(message, dict):
                session.on_message(message)
            session.on_message({"ack": hostile_value(draw)})
            recording = Recording.open(path)
            end_ns = recording.end_ns
            snapshot = Snapshot(
                serial=1, recording=recording, now_ns=end_ns, present_ns=end_ns, latest={}, slow={}
            )
            session.next_messages(snapshot)
        except Exception:  # noqa: BLE001 - whatever comes out is the finding
            self._fault(traceback.format_exc())
