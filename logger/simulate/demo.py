"""The demo: three processes started, watched and stopped together.

The joints, the logger and the dashboard are the same commands that a user would start; they share
nothing but a serial line and a recordings folder. When one ends by itself that is said, and the
others are stopped.
"""

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import DutytraceError, OutsideFault
from logger.simulate.scenario import LAYOUT, bench_text, layout_text, limits_text

__all__ = ["DemoSettings", "demo"]

NAME: Final = "Shoulder and elbow, fan test"
PAGES: Final = "The pages are at "
START_WITHIN_S: Final = 60.0
STOP_WITHIN_S: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSettings:
    """How the demo is run."""

    recordings: Path
    port: int
    browser: bool
    seed: int


@dataclass(slots=True)
class _Member:
    """One of the three processes."""

    what: str
    process: "subprocess.Popen[str]"
    ready: threading.Event
    last: list[str]
    sign_text: str = ""
    """The line with which it said that it is ready."""


def demo(settings: DemoSettings, *, stop: threading.Event, say: Callable[[str], None]) -> None:
    """Run the demo until `stop` is set.

    Raises
    ------
    DutytraceError
        One of the processes could not start (with its own sentence), or ended by itself.
    """
    members: list[_Member] = []
    with tempfile.TemporaryDirectory(prefix="dutytrace-") as folder:
        place = Path(folder)
        try:
            address = _start(settings, place, members, stop, say)
            if address and settings.browser:
                webbrowser.open(address)
            while not stop.wait(0.2):
                for member in members:
                    status = member.process.poll()
                    if status is not None:
                        raise OutsideFault(
                            f"The {member.what} (pid {member.process.pid}) ended "
                            f"{_how(status)}; the demo stops with it. What was recorded is whole."
                        )
        finally:
            _stop(members, say)


def _start(
    settings: DemoSettings,
    place: Path,
    members: list[_Member],
    stop: threading.Event,
    say: Callable[[str], None],
) -> str:
    """Start the three in order; returns the dashboard's address, empty when stopped meanwhile."""
    line = place / "serial-line"
    (place / "bench.toml").write_text(bench_text(str(line)), encoding="utf-8")
    (place / f"{LAYOUT}.toml").write_text(layout_text(), encoding="utf-8")
    (place / "limits.toml").write_text(limits_text(), encoding="utf-8")
    front = [sys.executable, "-m", "dutytrace"]
    say("Starting the simulated joints, the logger and the dashboard.")
    joints = [
        *(sys.executable, "-m", "logger.simulate"),
        *("--link", str(line), "--seed", str(settings.seed)),
    ]
    logger = [
        *(*front, "record", str(place / "bench.toml")),
        *("--limits", str(place / "limits.toml"), "--name", NAME, "--simulated"),
        *("--recordings", str(settings.recordings)),
    ]
    dashboard = [
        *(*front, "dashboard", "--recordings", str(settings.recordings)),
        *("--port", str(settings.port)),
    ]
    # The dashboard first: a port that is in use ends the demo before anything is recorded.
    for what, command, sign in (
        ("dashboard", dashboard, PAGES),
        ("joints", joints, "ready "),
        ("logger", logger, "Recording into "),
    ):
        member = _member(what, command, sign, say)
        members.append(member)
        if not _wait(member, stop):
            return ""
    address = members[0].sign_text.removeprefix(PAGES).strip()
    say(f"{PAGES}{address}")
    say("Press Ctrl-C to stop all three.")
    return address


def _member(what: str, command: list[str], sign: str, say: Callable[[str], None]) -> _Member:
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
    member = _Member(what=what, process=process, ready=threading.Event(), last=[])

    def relay() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            text = line.rstrip()
            del member.last[:-20]
            member.last.append(text)
            if member.ready.is_set():
                say(f"{what}: {text}")
            elif text.startswith(sign):
                member.sign_text = text
                if what == "logger":
                    say(text)
                member.ready.set()
        member.ready.set()

    threading.Thread(target=relay, name=f"relay {what}", daemon=True).start()
    return member


def _wait(member: _Member, stop: threading.Event) -> bool:
    """Wait until a member says that it is ready; False when the demo is to stop."""
    until = time.monotonic() + START_WITHIN_S
    while not member.ready.wait(0.1):
        if stop.is_set():
            return False
        if time.monotonic() > until:
            raise OutsideFault(f"The {member.what} did not come up within {START_WITHIN_S:.0f} s.")
    # The relay also ends the wait when the process does.
    time.sleep(0.05)
    status = member.process.poll()
    if status is not None:
        said = " ".join(member.last[-3:]).removeprefix("dutytrace: ") or "it said nothing."
        fault = DutytraceError(f"The {member.what} could not start: {said}")
        fault.exit_status = status if status in {2, 3} else 3
        raise fault
    return True


def _stop(members: list[_Member], say: Callable[[str], None]) -> None:
    """End the members by their pids, the logger before its joints: the recording ends whole."""
    for member in reversed(members):
        if member.process.poll() is None:
            member.process.send_signal(signal.SIGTERM)
            try:
                member.process.wait(STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                say(f"The {member.what} did not end in {STOP_WITHIN_S:.0f} s and was killed.")
                member.process.kill()
                member.process.wait()


def _how(status: int) -> str:
    if status < 0:
        return f"by signal {signal.Signals(-status).name}"
    return f"with exit status {status}"
