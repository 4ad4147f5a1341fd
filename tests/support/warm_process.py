"""Processes that begin with their modules loaded: real ones, forked from one that only imports.

A suite starts the same few programs hundreds of times, and most of each start is Python reading
modules. That the programs load them by themselves is held where a test starts one from nothing.
"""

import atexit
import os
import runpy
import signal
import subprocess
import sys
import traceback
from multiprocessing import get_context
from multiprocessing.reduction import DupFd
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any, Final

__all__ = ["WarmProcess", "run_warm"]

_CONTEXT: Final = get_context("forkserver")
_CONTEXT.set_forkserver_preload(["tests.support.warm_modules"])


class WarmProcess:
    """`python -m MODULE ARGUMENTS` with output through a pipe, as `subprocess.Popen` gives it."""

    def __init__(self, *command: str, cwd: Path | None = None, env: dict[str, str]) -> None:
        self.args = command
        reading, writing = os.pipe()
        try:
            self._process = _start(command, _Output(writing), _Output(writing), env, cwd)
        finally:
            os.close(writing)
        assert self._process.pid is not None
        self.pid: int = self._process.pid
        self.stdout: IO[str] = open(reading, encoding="utf-8")  # noqa: SIM115, PTH123

    @property
    def returncode(self) -> int | None:
        """The status that it ended with, negative after a signal; None while it runs."""
        return self._process.exitcode

    def poll(self) -> int | None:
        """Return the status that it ended with, None while it runs."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and return its status; `TimeoutExpired` if it still runs then."""
        self._process.join(timeout)
        status = self._process.exitcode
        if status is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        return status

    def communicate(self, timeout: float | None = None) -> tuple[str, None]:
        """Return the rest of its output once it has ended."""
        text = self.stdout.read()
        self.wait(timeout)
        return text, None

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)


def run_warm(
    *command: str, cwd: Path | None = None, env: dict[str, str], timeout: float
) -> "subprocess.CompletedProcess[str]":
    """Run `python -m MODULE ARGUMENTS` to its end, as `subprocess.run` with captured output does.

    Raises `TimeoutExpired` if it had to be killed.
    """
    with TemporaryFile("w+", encoding="utf-8") as out, TemporaryFile("w+", encoding="utf-8") as err:
        process = _start(command, _Output(out.fileno()), _Output(err.fileno()), env, cwd)
        process.join(timeout)
        status = process.exitcode
        if status is None:
            process.kill()
            process.join()
            raise subprocess.TimeoutExpired(command, timeout)
        process.close()
        texts = []
        for file in (out, err):
            file.seek(0)
            texts.append(file.read())
    return subprocess.CompletedProcess(command, status, *texts)


def _start(
    command: tuple[str, ...],
    out: "_Output",
    err: "_Output",
    env: dict[str, str],
    cwd: Path | None,
) -> Any:
    process = _CONTEXT.Process(target=_run, args=(command, out, err, env, str(cwd or Path.cwd())))
    process.start()
    return process


class _Output:
    """A file or the writing end of a pipe, on its way into the process."""

    def __init__(self, fd: int) -> None:
        self.fd = fd

    def __getstate__(self) -> dict[str, Any]:
        return {"carried": DupFd(self.fd)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.fd = state["carried"].detach()


def _run(
    command: tuple[str, ...], out: _Output, err: _Output, env: dict[str, str], cwd: str
) -> None:
    nothing = os.open(os.devnull, os.O_RDONLY)
    for place, fd in enumerate((nothing, out.fd, err.fd)):
        os.dup2(fd, place)
        os.close(fd)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(write_through=True)  # type: ignore[union-attr]
    os.environ.clear()
    os.environ.update(env)
    os.chdir(cwd)
    sys.argv = list(command)
    # The module itself is run, not used as it was loaded.
    for name in (command[0], f"{command[0]}.__main__"):
        if name.endswith("__main__") or not hasattr(sys.modules.get(name), "__path__"):
            sys.modules.pop(name, None)
    try:
        runpy.run_module(command[0], run_name="__main__", alter_sys=True)
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
    except BaseException:  # noqa: BLE001 - whatever a program dies of is printed, as Python does
        traceback.print_exc()
        status = 1
    else:
        status = 0
    # As at the end of any process; multiprocessing leaves these out.
    atexit._run_exitfuncs()
    sys.exit(status)
