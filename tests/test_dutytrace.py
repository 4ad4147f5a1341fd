"""The front door: every command answers for help at once, and refuses in one sentence."""

import subprocess
import sys
from pathlib import Path

import pytest

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
