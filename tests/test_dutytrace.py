"""The front door: every command answers for help at once, and refuses in one sentence."""

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.text import Text
from typer.main import get_command

import dutytrace
from tests.support.command import ROOT, assert_refused, run


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "nothing"],
        ["excursions", "nothing"],
        ["replay", "nothing"],
        ["seal", "nothing"],
        ["note", "nothing", "text"],
        ["acknowledge", "nothing", "1"],
        ["decode", "nothing.toml", "1", "00"],
        ["record", "nothing.toml"],
        ["simulate", "--hours", "-1"],
        ["simulate", "--hours", "nan"],
        ["simulate", "--hours", "inf"],
        ["simulate", "--rate", "1e9"],
        ["dashboard", "--host", "0.0.0.0"],
        ["record", "nothing.toml", "--duration", "soon"],
    ],
)
def test_wrong_arguments(tmp_path: Path, arguments: list[str]):
    """A recording or file that is not there, a value out of range."""
    assert_refused(run(*arguments, cwd=tmp_path))


def test_help_answers_at_once():
    """Every command has help, and help loads neither pandas nor dash."""
    done = run("--help")
    assert done.returncode == 0
    for command in ("demo", "simulate", "record", "dashboard", "replay", "check", "seal", "note",
                    "acknowledge", "shelve", "excursions", "decode"):  # fmt: skip
        assert command in done.stdout
        assert run(command, "--help").returncode == 0
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, dutytrace; print(*sys.modules)"],
        capture_output=True, text=True, check=True, cwd=ROOT,
    ).stdout.split()  # fmt: skip
    assert not {"pandas", "dash", "plotly", "pyarrow", "can", "numpy"} & set(loaded)


def test_no_help_loses_a_word_in_brackets():
    """The terminal's markup is written in brackets as well, and would leave such a word out."""
    texts = [text for command in _commands(get_command(dutytrace.app)) for text in _helps(command)]
    assert any(r"\[cycle]" in text for text in texts)
    for text in texts:
        assert Text.from_markup(text).plain == text.replace(r"\[", "["), text


def _commands(command: object) -> Iterator[object]:
    yield command
    for part in getattr(command, "commands", {}).values():
        yield from _commands(part)


def _helps(command: object) -> list[str]:
    return [text for one in [command, *command.params] if (text := getattr(one, "help", None))]


@pytest.mark.parametrize(
    ("fault", "status", "words"),
    [
        (MemoryError(), 3, "not enough memory"),
        (OSError(errno.EMFILE, "Too many open files"), 3, "Too many open files"),
        (OSError(errno.ENFILE, "Too many open files in system", "x.toml"), 3, "x.toml: Too many"),
        (PermissionError(errno.EACCES, "Permission denied", "a\x1b[2J"), 2, "a\\u001b[2J: Perm"),
    ],
)
def test_what_the_system_lacks_is_a_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    fault: BaseException,
    status: int,
    words: str,
):
    """Memory, descriptors or rights, wherever in a command they ran out."""

    def fail(**_: object) -> None:
        raise fault

    monkeypatch.setattr(dutytrace, "app", fail)
    with pytest.raises(SystemExit) as ended:
        dutytrace.main()
    assert ended.value.code == status
    assert capsys.readouterr().err.startswith(f"dutytrace: {words}" if status == 2 else "dutytrace")


def test_a_server_without_descriptors_says_so(tmp_path: Path):
    """Each page takes some: told before anything is served."""
    done = subprocess.run(
        ["sh", "-c", f"ulimit -n 12; exec {sys.executable} -m dutytrace dashboard --port 0"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, "ulimit -n" in done.stderr) == (3, True), done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_server_that_is_told_to_end_has_done_its_work(tmp_path: Path, number: signal.Signals):
    """Exit status 0, as of a recording that is ended by Ctrl-C or SIGTERM."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dutytrace", "dashboard", "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    try:
        assert "The pages are at" in process.stdout.readline()
        process.send_signal(number)
        told, _ = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert (process.returncode, told) == (0, "")


def test_the_library_is_loaded_when_it_is_used():
    """`import dutytrace` loads neither numpy nor pandas; its names are listed all the same."""
    script = (
        "import sys, dutytrace\n"
        "assert not {'numpy', 'pandas', 'pyarrow', 'dash'} & set(sys.modules)\n"
        "assert set(dutytrace.__all__) <= set(dir(dutytrace))\n"
        "dutytrace.open\n"
        "assert 'pandas' in sys.modules\n"
        "assert 'dash' not in sys.modules\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr


def test_without_pandas_the_library_says_how_to_get_it():
    """One sentence, and nothing else of the program needs it."""
    script = (
        "import sys\n"
        "sys.modules['pandas'] = None\n"
        "import dutytrace\n"
        "try:\n    dutytrace.open\n"
        "except ModuleNotFoundError as fault:\n    print(fault)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert 'pip install "dutytrace[pandas]"' in done.stdout, done.stderr
    with pytest.raises(AttributeError, match="has no attribute 'shut'"):
        getattr(dutytrace, "shut")  # noqa: B009 - an attribute that type checkers know to be none
