"""`dutytrace measure KIND` as somebody types it."""

import json

from tests.support.command import assert_refused, run

TIPS = ["tip=12.5 mm at +10 N", "tip=10 mm at -10 N", "tip=14 mm at 30 N", "tip=9 mm at -30 N"]


def _options(*readings: str) -> list[str]:
    return [word for one in readings for word in ("--reading", one)]


def test_the_sentence_stands_first_and_then_what_it_stands_on():
    """Value with interval, instruments, assumptions; what is not known with what to do."""
    done = run("measure", "backlash", "--joint", "elbow", *_options("arm=344 mm", "play=1 mm"),
               "--division", "play=1 mm")  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("elbow: backlash 10.0 arcmin (2.2 to 17.7), either side")
    assert "read to 1 mm" in done.stdout
    assert "Read the tip with a second force" in done.stdout


def test_common_figures_through_the_command():
    """3.25 kg at 344 mm is 10.96 N.m, and 1 mm there 9.99 arcmin (9.993)."""
    weighed = run("measure", "torque", *_options("arm=344 mm", "scale=3.25 kg"))
    assert weighed.stdout.startswith("torque at the axis 10.96 N·m; no interval")
    play = run("measure", "backlash", *_options("arm=344 mm", "play=1 mm"))
    assert play.stdout.startswith("backlash 9.993 arcmin, either side of the middle 4.997 arcmin")


def test_the_answer_as_json():
    """Keys that scripts read, the parts of the uncertainty by their source."""
    done = run("measure", "backlash", *_options("arm=344 mm +- 0.5 mm", *TIPS),
               "--division", "tip=0.5 mm", "--json")  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["format"] == 1
    assert answer["total_arcmin"] == answer["quantities"][0]["value"]
    assert answer["uncertainty_arcmin"] > 0
    assert {part["source"] for part in answer["quantities"][0]["parts"]} == {"tip", "arm"}


def test_before_the_first_step():
    """Cautions, steps, how narrow it can get and what would get narrower."""
    done = run("measure", "torque", "--expect", "--division", "scale=200 g")
    assert done.returncode == 0, done.stderr
    assert done.stdout.index("CAUTION") < done.stdout.index("1. ")
    assert "Narrower: a scale of a tenth" in done.stdout


def test_bad_input_is_one_sentence():
    """Exit status 2, no traceback."""
    assert_refused(run("measure", "backlash", *_options("arm=0 mm", "play=1 mm")), "greater than 0")
    assert_refused(run("measure", "torque", "--span", "a=1s"), "FROM..TO")
    assert_refused(run("measure", "torque", *_options("scale=-3 widgets")), "widgets")
