"""What limits will do, in words; the example that ships; curves of a file's limits."""

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.layout import shipped_layout_text
from logger.limits.curve_table import curve_table, limit_curve_settings
from logger.limits.describe import describe_limits
from logger.limits.kinds import KIND_NAMES, LIMIT_KINDS, example_text
from logger.limits.limit import check_for_bench, parse_limits

BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "shoulder"
layout = "harvest-joint"
node = 1
torque = { from = "current", per_ampere = 1.6 }
rated = { torque = 18.0, current = 11.0 }
"""


@pytest.fixture
def bench() -> Bench:
    """One joint that has all that the example is about."""
    text = shipped_layout_text("harvest-joint")
    assert text is not None
    return bench_from_texts(BENCH, {"harvest-joint": text}, where="bench.toml")


def test_the_example_fits_a_bench_and_has_every_kind(bench):
    """The file that ships is taken, and no kind is missing from it."""
    limits = parse_limits(example_text(), "example.toml")
    check_for_bench(limits, bench, "example.toml")
    assert (
        {limit.kind_name() for limit in limits.limits}
        == set(KIND_NAMES)
        >= {
            *("level", "inverse-time", "thermal", "rate", "tracking", "frozen", "touch"),
            *("silence", "bus", "disk"),
        }
    )
    assert {type(limit) for limit in limits.limits} == set(LIMIT_KINDS)


def test_each_kind_says_what_it_will_do(bench):
    """One sentence for each limit of the example."""
    found = describe_limits(parse_limits(example_text(), "example.toml"), bench)
    assert {one.name: one.text for one in found}.items() >= {
        "housing-warm": "warns when the housing of shoulder stays at or above 70 °C for 5 s; "
        "clears at or below 67 after 5 s",
        "supply": "warns when the supply voltage of any joint reaches 54 V or falls to 42 V; "
        "clears at or within 43 V to 53 V",
        "near-rated-torque": "warns when the torque of any joint, in either direction, stays at or "
        "above 90 % of rated for 1 s; clears at or below 80 % of rated",
        "overload": "trips when the current of any joint, in either direction, is at or above 110 "
        "% of rated for longer than curve C (extremely inverse) with the time multiplier 0.5 "
        "allows; clears at or below 95 % of rated; stays until acknowledged",
        "winding-image": "warns when the thermal image of the current of any joint (105 % of rated "
        "carried for ever, time constant 10 min, 20 min at rest) reaches 85 %; clears at or "
        "below 75 %",
        "heats-fast": "warns when the housing of any joint rises by 8 K/min or more over 60 s; "
        "clears at 5 K/min or less",
        "astray": "warns when the position of any joint stays 2.9 ° or more from its set-point for "
        "0.5 s; clears at 1.1 ° or less",
        "housing-frozen": "warns when the housing of any joint does not move while the current "
        "(RMS over about 30 s) is at or above 6 A for 10 min; clears when it moves",
        "hot-to-touch": "warns when the housing of any joint reaches the burn threshold of 65 °C "
        "for 1 s of touch (guidance); clears at or below 62 °C",
        "silent": "warns when any joint says nothing for 0.5 s; clears with its next frame",
        "bus-full": "warns when the load of a bus stays at or above 70 % for 10 s; clears "
        "at or below 60 %",
        "bus-errors": "warns when the number of error frames a second reaches 10; clears at or "
        "below 1",
        "losses": "warns when the recorder loses a frame; clears when none was lost for 60 s",
        "disk": "warns when the disk lasts for 6 h or less at the present rate; clears at 8 h or "
        "more",
    }.items()
    unjudged = {one.name: one.not_judged for one in found}
    assert unjudged["silent"] == unjudged["supply"] == unjudged["disk"] == ()
    assert [
        text.partition(": not judged while the housing has gaps ")[0]
        for text in unjudged["heats-fast"]
    ] == ["shoulder"]
    shares = {one.name: one.needs_rated for one in found if one.needs_rated}
    assert shares["near-rated-torque"] == ("shoulder: torque at or above 16.2 N·m",)
    assert shares["overload"] == ("shoulder: current at or above 12.1 A for too long",)


def test_the_curve_of_a_limit():
    """A limit of a file is tabulated as it is set; at 85 % the image is full that much earlier."""
    limits = parse_limits(example_text(), "example.toml")
    settings, unit = limit_curve_settings(limits, "overload")
    rows = {row.multiple: row.time_s for row in curve_table(settings).rows}
    assert unit == "of rated"
    assert rows[1.1] == pytest.approx(0.5 * 80.0 / (1.1**2 - 1))
    assert all(time_s is None for multiple, time_s in rows.items() if multiple < 1.1)
    # 80 / (4^2 - 1) * 0.5: curve C of IEC 60255-151, second-hand.
    assert rows[4.0] == pytest.approx(2.66666667)
    settings, _ = limit_curve_settings(limits, "winding-image", preload=0.5)
    table = curve_table(settings)
    assert "raised at 85 %" in table.title
    # tau * ln((q - H0) / (q - H)), q = (I / (k * I_B))^2: derived from the image.
    full, start = (2 / 1.05) ** 2, (0.5 / 1.05) ** 2
    expected_s = 600 * math.log((full - start) / (full - 0.85))
    assert {row.multiple: row.time_s for row in table.rows}[2.0] == pytest.approx(expected_s)
    for name, why in (("silent", "which has no curve"), ("loud", "which is none of the file")):
        with pytest.raises(InputError, match=why):
            limit_curve_settings(limits, name)


def _run(*words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "dutytrace", "limits", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[3],
        timeout=60,
    )


def test_the_commands_say_it(tmp_path: Path):
    """Words, JSON, status 2 with one sentence for what does not fit, and a curve of the file."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    limits = tmp_path / "limits.toml"
    limits.write_text(_run("example").stdout, encoding="utf-8")
    check = ("check", str(limits), "--bench", str(tmp_path / "bench.toml"))
    done = _run(*check)
    assert done.returncode == 0, done.stderr
    assert "housing-warm warns when the housing of shoulder stays at or above 70 °C" in done.stdout
    answer = json.loads(_run(*check, "--json").stdout)
    assert answer["format"] == 1
    assert answer["limits"][2]["joints"] == ["shoulder"]
    drawn = _run("curve", "overload", "--limits", str(limits))
    assert "curve C after IEC 60255-151" in drawn.stdout
    assert _run("curve", "overload", "--limits", str(limits), "--tms", "2").returncode == 2
    limits.write_text(example_text().replace('"shoulder"', '"wrist"'), encoding="utf-8")
    refused = _run(*check)
    assert refused.returncode == 2
    assert "limit[1] (housing-warm).joint: found 'wrist'" in refused.stderr
