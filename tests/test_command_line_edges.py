"""Edges of the command line: numbers beyond all bounds, answers that stay JSON."""

import json
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import dutytrace
import replay.excursions.recorded
from replay.recording import Recording


def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dutytrace", *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={**os.environ, "HOME": str(folder)},
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("simulate", "--hours", "1e300"),
        ("simulate", "--hours", "-1e300"),
        ("simulate", "--hours", "nan"),
        ("simulate", "--hours", "1000000"),
        ("simulate", "--hours", "0.01", "--rate", "inf"),
    ],
)
def test_numbers_beyond_all_bounds(tmp_path: Path, arguments: tuple[str, ...]):
    """One sentence, exit status 2, nothing made."""
    ended = _run(tmp_path, *arguments, "--out", str(tmp_path / "rec"))
    assert ended.returncode == 2, ended.stderr
    assert ended.stdout == ""
    assert len(ended.stderr.splitlines()) == 1
    assert ended.stderr.startswith("dutytrace: ")
    assert not (tmp_path / "rec").exists()


def test_a_peak_that_is_not_known_is_null(
    overheat: Recording, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    """NaN is no JSON: what is not known is null."""
    found = replay.excursions.recorded.recorded_excursions(overheat)
    monkeypatch.setattr(
        replay.excursions.recorded,
        "recorded_excursions",
        lambda *_: [replace(found[0], peak=math.nan)],
    )
    dutytrace.excursions(str(overheat.path), None, as_json=True)

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    answer = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert answer["format"] == 1
    assert answer["excursions"][0]["peak"] is None
