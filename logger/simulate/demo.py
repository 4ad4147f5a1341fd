"""The demo: three processes started, watched and stopped together.

The joints, the logger and the dashboard are the same commands that a user would start; they share
nothing but a serial line and a recordings folder. When one ends by itself that is reported, and the
others are stopped. On the bench that is commissioned each scene becomes a note of the recording,
and what a person would read off is printed as `dutytrace measure` takes it.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.errors import DutytraceError, OutsideFault
from logger.simulate.commissioning import bench_files
from logger.simulate.demo_bench import demo_bench_text
from logger.simulate.scenario import (
    SCENARIO_LAYOUT,
    scenario_layout_text,
    scenario_limits_text,
)
from logger.store.repair.post_request import submit_request

__all__ = ["DemoSettings", "supervise_demo"]

DEMO_NAME: Final = "Shoulder and elbow, fan test"
BENCH_DEMO_NAME: Final = "Wrist, commissioning"
PAGES_LINE: Final = "The pages are at "
RECORDING_LINE: Final = "Recording into "
START_WITHIN_S: Final = 60.0
DEMO_STOP_WITHIN_S: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSettings:
    """How the demo is run."""

    recordings: Path
    port: int
    browser: bool
    seed: int
    bench: bool = False
    """One joint that is commissioned, in place of the arm."""


@dataclass(slots=True)
class _DemoProcess:
    """One of the three processes."""

    label: str
    process: "subprocess.Popen[str]"
    ready: threading.Event
    last_lines: list[str]
    ready_text: str = ""
    """The line with which it reported that it is ready."""
    waiting_notes: list[tuple[int, str]] = field(default_factory=list)
    """When, and what: scenes that came before it was known where they are recorded."""


def supervise_demo(
    settings: DemoSettings, *, stop: threading.Event, report_line: Callable[[str], None]
) -> None:
    """Run the demo until `stop` is set.

    Raises
    ------
    DutytraceError
        One of the processes could not start (with its own sentence), or ended by itself.
    """
    members: list[_DemoProcess] = []
    with tempfile.TemporaryDirectory(prefix="dutytrace-") as folder:
        folder_path = Path(folder)
        try:
            address = _start_processes(settings, folder_path, members, stop, report_line)
            if address and settings.browser:
                webbrowser.open(address)
            while not stop.wait(0.2):
                for member in members:
                    status = member.process.poll()
                    if status is not None:
                        raise OutsideFault(
                            f"The {member.label} (pid {member.process.pid}) ended "
                            f"{_exit_words(status)}; the demo stops with it. What was recorded "
                            "is whole."
                        )
        finally:
            _stop_processes(members, report_line)


def _start_processes(
    settings: DemoSettings,
    folder_path: Path,
    members: list[_DemoProcess],
    stop: threading.Event,
    report_line: Callable[[str], None],
) -> str:
    """Start the three in order; returns the dashboard's address, empty when stopped meanwhile."""
    line = folder_path / "serial-line"
    for name, text in _demo_files(str(line), bench=settings.bench).items():
        (folder_path / name).write_text(text, encoding="utf-8")
    name = BENCH_DEMO_NAME if settings.bench else DEMO_NAME
    front_door = [sys.executable, "-m", "dutytrace"]
    report_line("Starting the simulated joints, the logger and the dashboard.")
    joints = [
        *(sys.executable, "-m", "logger.simulate"),
        *("--link", str(line), "--seed", str(settings.seed)),
        *(["--bench"] if settings.bench else []),
    ]
    logger = [
        *(*front_door, "record", str(folder_path / "bench.toml")),
        *("--limits", str(folder_path / "limits.toml"), "--name", name, "--simulated"),
        *("--recordings", str(settings.recordings)),
    ]
    dashboard = [
        *(*front_door, "dashboard", "--recordings", str(settings.recordings)),
        *("--port", str(settings.port)),
    ]
    # The dashboard first: a port that is in use ends the demo before anything is recorded.
    for label, command, ready_sign in (
        ("dashboard", dashboard, PAGES_LINE),
        ("joints", joints, "ready "),
        ("logger", logger, RECORDING_LINE),
    ):
        member = _start_process(label, command, ready_sign, members, report_line)
        members.append(member)
        if not _wait_until_ready(member, stop):
            return ""
    address = members[0].ready_text.removeprefix(PAGES_LINE).strip()
    report_line(f"{PAGES_LINE}{address}")
    report_line("Press Ctrl-C to stop all three.")
    return address


def _demo_files(channel: str, *, bench: bool) -> dict[str, str]:
    """Return name -> text of what the logger reads."""
    if bench:
        return {
            "bench.toml": bench_files.bench_text(channel),
            f"{bench_files.BENCH_LAYOUT}.toml": bench_files.layout_text(),
            "limits.toml": bench_files.limits_text(),
        }
    return {
        "bench.toml": demo_bench_text(channel),
        f"{SCENARIO_LAYOUT}.toml": scenario_layout_text(),
        "limits.toml": scenario_limits_text(),
    }


def _report_bench(
    member: _DemoProcess,
    text: str,
    members: list[_DemoProcess],
    report_line: Callable[[str], None],
) -> bool:
    """Report what happened on the bench, and note its scenes; False for any other line."""
    try:
        event = json.loads(text)
    except ValueError:
        return False
    if not isinstance(event, dict):
        return False
    if event["kind"] == "reading":
        report_line(f"  read off: --reading '{event['words']}'")
        return True
    member.waiting_notes.append((time.time_ns(), f"{event['name']}: {event['words']}"))
    ready = next((one.ready_text for one in members if one.label == "logger"), "")
    if ready:
        recording = Path(ready.removeprefix(RECORDING_LINE).strip())
        for at_ns, words in member.waiting_notes:
            submit_request(recording, kind="note", text=words, at_ns=at_ns)
        member.waiting_notes.clear()
    return True


def _start_process(
    label: str,
    command: list[str],
    ready_sign: str,
    members: list[_DemoProcess],
    report_line: Callable[[str], None],
) -> _DemoProcess:
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        # Ctrl-C reaches only this process, which then ends the three in order.
        start_new_session=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    member = _DemoProcess(label=label, process=process, ready=threading.Event(), last_lines=[])

    def relay() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            text = line.rstrip()
            del member.last_lines[:-20]
            member.last_lines.append(text)
            if member.ready.is_set():
                if not _report_bench(member, text, members, report_line):
                    report_line(f"{label}: {text}")
            elif text.startswith(ready_sign):
                member.ready_text = text
                if label == "logger":
                    report_line(text)
                member.ready.set()
        member.ready.set()

    threading.Thread(target=relay, name=f"relay {label}", daemon=True).start()
    return member


def _wait_until_ready(process: _DemoProcess, stop: threading.Event) -> bool:
    """Wait until a member reports that it is ready; False when the demo is to stop."""
    until = time.monotonic() + START_WITHIN_S
    while not process.ready.wait(0.1):
        if stop.is_set():
            return False
        if time.monotonic() > until:
            raise OutsideFault(
                f"The {process.label} did not come up within {START_WITHIN_S:.0f} s."
            )
    # The relay also ends the wait when the process does.
    time.sleep(0.05)
    status = process.process.poll()
    if status is not None:
        last_words = (
            " ".join(process.last_lines[-3:]).removeprefix("dutytrace: ") or "it printed nothing."
        )
        fault = DutytraceError(f"The {process.label} could not start: {last_words}")
        fault.exit_status = status if status in {2, 3} else 3
        raise fault
    return True


def _stop_processes(members: list[_DemoProcess], report_line: Callable[[str], None]) -> None:
    """End the members by their pids, the logger before its joints: the recording ends whole."""
    for member in reversed(members):
        if member.process.poll() is None:
            member.process.send_signal(signal.SIGTERM)
            try:
                member.process.wait(DEMO_STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                report_line(
                    f"The {member.label} did not end in {DEMO_STOP_WITHIN_S:.0f} s and was killed."
                )
                member.process.kill()
                member.process.wait()


def _exit_words(status: int) -> str:
    if status < 0:
        return f"by signal {signal.Signals(-status).name}"
    return f"with exit status {status}"
