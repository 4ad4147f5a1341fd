"""The sweep file: candidates as it says, and mistakes answered with what would be right."""

import pytest

from logger.errors import InputError
from logger.limits.limit import parse_limits
from replay.tuning.sweep import parse_sweep

BASE = parse_limits(
    """
format = 1
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 80.0
drop_off = 76.0
[[limit]]
name = "curve"
kind = "inverse-time"
severity = "trip"
channel = "current_A"
curve = "C"
setting = 6.0
[[limit]]
name = "busy"
kind = "bus"
severity = "warning"
watch = "load"
above = 0.8
""",
    "limits.toml",
)
HEAD = 'format = 1\n[bad_end]\nchannel = "temperature_winding_degC"\nabove = 110.0\n'


def _vary(limit: str, key: str, *rest: str) -> str:
    return "\n".join(("[[vary]]", f'limit = "{limit}"', f'key = "{key}"', *rest, ""))


def _values(text: str) -> list[tuple]:
    sweep = parse_sweep(HEAD + text, BASE, "sweep.toml")
    return [tuple(change.value for change in one.changes) for one in sweep.candidates]


def test_a_grid_is_every_combination():
    """The last entry runs fastest; numbers come out as a person would write them."""
    text = _vary("hot", "above", "from = 80.0", "to = 81.0", "steps = 11")
    text += _vary("hot", "on_delay_s", "values = [0, 2.5]")
    found = _values(text)
    assert len(found) == 22
    assert found[:3] == [(80.0, 0.0), (80.0, 2.5), (80.1, 0.0)]
    assert found[-1] == (81.0, 2.5)


def test_an_offset_goes_with_the_other_key():
    """A drop-off three below the pick-up, of each pick-up."""
    text = _vary("hot", "drop_off", 'offset_of = "above"', "values = [-3]")
    assert _values(text) == [(77.0,)]
    text += _vary("hot", "above", "values = [70.0, 90.5]")
    assert _values(text) == [(67.0, 70.0), (87.5, 90.5)]


def test_logarithmic_steps():
    """Equal factors between steps, both ends included."""
    text = _vary("curve", "tms", "from = 0.01", "to = 1.0", "steps = 3", 'spacing = "log"')
    assert _values(text) == [(0.01,), (0.1,), (1.0,)]


def test_draws_are_within_and_the_same_for_a_seed():
    """So many draws within the ranges; another seed draws others."""
    text = _vary("hot", "above", "from = 77.0", "to = 90.0") + _vary(
        "curve", "curve", 'values = ["A", "B"]'
    )
    found = _values(f"{text}[random]\ndraws = 50\nseed = 4\n")
    assert len(found) == 50
    assert all(77 <= above <= 90 and curve in {"A", "B"} for above, curve in found)
    assert found == _values(f"{text}[random]\ndraws = 50\nseed = 4\n")
    assert found != _values(f"{text}[random]\ndraws = 50\nseed = 5\n")


def test_what_is_no_limit_is_left_out_and_counted():
    """A pick-up below the drop-off is refused by the limit itself; the first reason is kept."""
    text = _vary("hot", "above", "values = [70.0, 75.0, 77.0]")
    sweep = parse_sweep(HEAD + text, BASE, "sweep.toml")
    assert [one.number for one in sweep.candidates] == [1]
    assert sweep.refused == 2
    assert "drop_off: found 76, expected at most 70" in sweep.refusal


def test_the_same_limits_are_one_candidate():
    """Values that are drawn twice are judged once."""
    assert _values(_vary("hot", "above", "values = [80, 80.0, 81]")) == [(80.0,), (81.0,)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (_vary("hott", "above", "values = [1]"), "Did you mean 'hot'?"),
        (_vary("busy", "above", "values = [1]"), "a limit on the recorder itself"),
        (_vary("hot", "abov", "values = [1]"), "Did you mean 'above'?"),
        (_vary("hot", "tms", "values = [1]"), "expected one of"),
        (_vary("hot", "severity", 'values = ["trip"]'), "which 'hot' (kind 'level') does not have"),
        (_vary("hot", "above", "values = []"), "vary[1].values: found an empty list"),
        (_vary("hot", "above", "from = 3.0", "to = 3.0", "steps = 4"), "vary[1].to: found 3"),
        (_vary("hot", "above", "from = 3.0"), "both from and to"),
        (_vary("hot", "above", "from = 3.0", "to = 4.0"), "vary[1].steps: this key is missing"),
        (_vary("hot", "above"), "either values, or from and to"),
        (
            _vary("hot", "above", "values = [1]", "steps = 3"),
            "steps: found it together with values",
        ),
        (_vary("hot", "above", "values = [1]") * 2, "a second time"),
        (_vary("hot", "above", "values = [1]", 'offset_of = "above"'), "the key itself"),
        (_vary("hot", "above", "values = [1]", 'offset_of = "below"'), "has no number"),
        (_vary("hot", "above", 'values = ["x"]', 'offset_of = "drop_off"'), "expected numbers"),
        (_vary("hot", "above", 'values = ["x"]'), "no combination of these values is a limit"),
        (_vary("hot", "above", "from = 0.0", "to = 9.0", "steps = 3", 'spacing = "log"'), "from:"),
        (
            _vary("hot", "above", "from = 1.0", "to = 9.0", "steps = 90000")
            + _vary("curve", "tms", "from = 1.0", "to = 9.0", "steps = 90000"),
            "found 8100000000 combinations",
        ),
        ("", "vary: this key is missing"),
    ],
)
def test_mistakes_say_what_would_be_right(text: str, said: str):
    """File, key, found, expected."""
    with pytest.raises(InputError, match=r"sweep\.toml: ") as fault:
        parse_sweep(HEAD + text, BASE, "sweep.toml")
    assert said in str(fault.value)


@pytest.mark.parametrize(
    ("bad_end", "said"),
    [
        ('note = "smoke"', "length_s: this key is missing"),
        ('note = "smoke"\nlength_s = 60.0\nabove = 3.0', "above: found it together with note"),
        ('channel = "current_A"', "above: expected one of above and below"),
        ('channel = "current_A"\nabove = 3.0\nlength_s = 3.0', "without note"),
        ("within_s = 3.0", "expected one of channel"),
        ('channel = "curent_A"\nabove = 3.0', "Did you mean 'current_A'?"),
    ],
)
def test_a_bad_end_is_one_thing(bad_end: str, said: str):
    """A level on a channel or a note with a length, nothing between."""
    text = f"format = 1\n[bad_end]\n{bad_end}\n{_vary('hot', 'above', 'values = [80]')}"
    with pytest.raises(InputError) as fault:
        parse_sweep(text, BASE, "sweep.toml")
    assert "bad_end" in str(fault.value)
    assert said in str(fault.value).replace("did you mean", "Did you mean")
