"""A curve as a table, and from the command line."""

import json
import subprocess
from pathlib import Path

import pytest

from tests.support.command import run


def _run(*words: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return run("limits", "curve", *words, cwd=cwd)


def _time(rows: list[dict[str, float]], multiple: float) -> float:
    return next(row["time_s"] for row in rows if row["multiple"] == multiple)


def test_inverse_time_as_json(tmp_path: Path):
    """C at four times: 5.33333333 s (IEC 60255-151, second hand); at the setting for ever."""
    done = _run("C", "--setting", "8", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["format"] == 1
    assert _time(found["rows"], 4) == pytest.approx(5.33333333)
    assert _time(found["rows"], 1) is None
    assert next(row["current"] for row in found["rows"] if row["multiple"] == 4) == 32


def test_a_thermal_curve_is_tabulated_and_drawn(tmp_path: Path):
    """20 A on 10 A, k 1.05, 600 s, after 8 A: 88.8556066 s (IEC 60255-149, from memory)."""
    done = _run(
        "thermal", "--setting", "10", "--tau", "10min", "--preload", "8", "--html", "c.html",
        cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = [line.split() for line in done.stdout.splitlines()]
    assert ["2", "20", "88.8556066"] in lines
    assert ["1.05", "10.5", "for", "ever"] in lines
    page = (tmp_path / "c.html").read_text("utf-8")
    assert "time until it operates" in page
    assert "<script src=" not in page, "it has to open without a network"


def test_a_preload_that_is_just_carried(tmp_path: Path):
    """Behind k * I_B itself, that and less still last for ever; more operates at once."""
    done = _run("thermal", "--setting", "10", "--preload", "10.5", "--json", cwd=tmp_path)
    rows = json.loads(done.stdout)["rows"]
    assert [_time(rows, multiple) for multiple in (1, 1.05, 1.1)] == [None, None, 0.0]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["G"], "CURVE: found 'G', expected one of A, B, C, D, E, F, thermal."),
        (["c"], "CURVE: found 'c', expected one of A, B, C, D, E, F, thermal. Did you mean 'C'?"),
        (["A", "--tms", "0"], "--tms: found 0, expected greater than 0."),
        (
            ["thermal", "--setting", "10", "--preload", "11"],
            "--preload: found 11, expected at most 10.5: more would have operated before.",
        ),
    ],
)
def test_what_is_no_curve(tmp_path: Path, words: list[str], sentence: str):
    """One clear line, exit status 2."""
    done = _run(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.strip().removeprefix("dutytrace: ") == sentence
