"""Torque per ampere written into a bench file: in place, dated, whole or not at all."""

import datetime
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from logger.joint.bench.bench import read_bench
from replay.measure.kinds.torque import PER_AMPERE
from replay.measure.result import student_quantity
from replay.measure.take_over import take_over_torque

MEASURED = student_quantity(
    PER_AMPERE, 1.90123456, (UncertaintyPart(source="levels", contribution=0.01),)
)
DAY = datetime.date(2026, 11, 29)
BENCH = """# my bench
[bus]
interface = "virtual"

[[joint]]
name = "a"          # the first one
layout = "harvest-joint"
node = 3
{torque}"""


def _bench(tmp_path: Path, torque: str = "") -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(torque=torque), encoding="utf-8")
    return path


def test_the_value_is_replaced_and_comments_stay(tmp_path: Path):
    """What stood there is returned, so that it can be said how wrong it was."""
    path = _bench(tmp_path, 'torque = { from = "current", per_ampere = 1.83 }\n')
    assert take_over_torque(path, "a", MEASURED, DAY) == 1.83
    text = path.read_text("utf-8")
    assert "# the first one" in text
    assert "measured 2026-11-29: 1.882 to 1.921 N.m/A" in text
    torque = read_bench(path).joints[0].torque
    assert torque is not None
    assert torque.per_ampere == pytest.approx(1.9012)
    assert [one.name for one in tmp_path.iterdir()] == ["bench.toml"]


def test_where_there_was_none_it_is_added(tmp_path: Path):
    """A joint that reports current and no torque has it computed from now on."""
    path = _bench(tmp_path)
    assert take_over_torque(path, "a", MEASURED, DAY) is None
    torque = read_bench(path).joints[0].torque
    assert torque is not None
    assert (torque.source, torque.per_ampere) == ("current", pytest.approx(1.9012))


def test_a_joint_that_is_not_there(tmp_path: Path):
    """One sentence, and nothing is written."""
    path = _bench(tmp_path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="no joint 'b'"):
        take_over_torque(path, "b", MEASURED, DAY)
    assert path.read_bytes() == before
