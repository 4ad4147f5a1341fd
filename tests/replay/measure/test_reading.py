"""What is typed: numbers, units, what they were read at; what is refused, in one sentence."""

import math

import pytest

from logger.errors import InputError
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.reading import parse_reading

TIP = PROCEDURES["backlash"].readings
SCALE = PROCEDURES["torque"].readings
ANY = PROCEDURES["value"].readings


@pytest.mark.parametrize(
    ("text", "rules", "value", "unit"),
    [
        ("arm=344 mm", TIP, 0.344, "m"),
        ("arm = 34,4 cm", TIP, 0.344, "m"),
        ("arm=13.5 in", TIP, 0.3429, "m"),
        ("scale=3.25 kg", SCALE, 3.25, "kg"),
        ("scale=1490 g", SCALE, 1.49, "kg"),
        ("scale=31.9 N", SCALE, 31.9, "N"),
        ("scale=12.5 Nm", SCALE, 12.5, "N.m"),
        ("scale=2 kgf", SCALE, 19.6133, "N"),
        ("angle=-30 deg", SCALE, -math.pi / 6, "rad"),
        ("fixture=1 N.m/arcmin", TIP, 3437.74677, "N.m/rad"),
        ("winding=145 mohm", ANY, 0.145, "Ohm"),
        ("ambient=23 degC", ANY, 23.0, "Cel"),
        ("ratio=9", ANY, 9.0, "1"),
    ],
)
def test_readings_are_kept_in_si(text, rules, value, unit):
    """A number with any unit of the right kind; a decimal comma is one."""
    reading = parse_reading(text, rules)
    assert reading.value == pytest.approx(value, rel=1e-9)
    assert reading.unit == unit


def test_what_is_stated_beside_a_value():
    """Bounds are rectangular, an expanded uncertainty is divided by its factor."""
    assert parse_reading("arm=34.4 cm +- 0.5 mm", TIP).stated_uncertainty == pytest.approx(
        5e-4 / math.sqrt(3)
    )
    assert parse_reading("arm=34.4 cm ± 0.05", TIP).bound == pytest.approx(5e-4)
    certified = parse_reading("scale=3.25 kg +/- 4 g (k=2)", SCALE)
    assert certified.stated_uncertainty == pytest.approx(0.002)
    # A difference of temperatures is not a temperature.
    assert parse_reading("ambient=23 degC +- 0.5 degC", ANY).bound == pytest.approx(0.5)


def test_what_a_value_was_read_at():
    """A force with its direction, a current, or the name of a span."""
    tip = parse_reading("tip=-12.5 mm at -10 N", TIP)
    assert (tip.value, tip.at_value, tip.at_unit) == (-0.0125, -10.0, "N")
    assert parse_reading("scale=3 kg at 6 A", SCALE).at_value == 6.0
    assert parse_reading("scale=3 kg +- 5 g at up-3", SCALE).at_span == "up-3"


@pytest.mark.parametrize(
    ("text", "rules", "words"),
    [
        ("arm=0 mm", TIP, "greater than 0"),
        ("arm=-344 mm", TIP, "greater than 0"),
        ("scale=-3 kg", SCALE, "0 or more"),
        ("mass=-1 g", ANY, "0 or more"),
        ("arm=344", TIP, "without a unit"),
        ("arm=344 kg", TIP, "a length"),
        ("arm=344 foos", TIP, "'foos'"),
        ("arm=long", TIP, "a length"),
        ("arm=1e99 m", TIP, "a length"),
        ("arm", TIP, "NAME=VALUE"),
        ("arms=344 mm", TIP, "'arms'"),
        ("arm=344 mm +- -1 mm", TIP, "greater than 0"),
        ("arm=344 mm +- 1 mm +- 2 mm", TIP, "one +-"),
        ("arm=344 mm +- 1 mm (k=99)", TIP, "coverage factor"),
        ("tip=1 mm at 3 kg", TIP, "a force"),
        ("play=1 mm at 3 N", TIP, "the name of a span"),
        ("x=" + "1" * 500, ANY, "NAME=VALUE"),
    ],
)
def test_a_refused_reading_says_why(text, rules, words):
    """One sentence that begins with the option."""
    with pytest.raises(InputError) as refused:
        parse_reading(text, rules)
    assert str(refused.value).startswith("--reading: ")
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)
