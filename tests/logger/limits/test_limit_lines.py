"""Which levels a picture draws for a limit, and where they lie."""

import pytest

from logger.joint.bench.joint_settings import RatedValues
from logger.limits.limit import parse_limits
from logger.limits.limit_lines import levels_of

RATED = RatedValues(torque=12.0)
HEAD = 'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\n'


def _lines(
    settings: str, rated: RatedValues = RATED
) -> list[tuple[str, bool, float, float | None]]:
    (limit,) = parse_limits(HEAD + settings, "limits.toml").limits
    return [
        (line.channel, line.is_rising, line.pick_up, line.drop_off)
        for line in levels_of(limit, rated)
    ]


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [
        (
            'kind = "level"\nchannel = "voltage_V"\nbelow = 20\ndrop_off = 22',
            [("voltage_V", False, 20.0, 22.0)],
        ),
        (
            'kind = "level"\nchannel = "torque_Nm"\nabove_rated = 1.5\ndrop_off_rated = 1.25',
            [("torque_Nm", True, 18.0, 15.0)],
        ),
        (
            'kind = "level"\nchannel = "position_rad"\noutside = [-1, 2]\ninside = [-0.5, 1.5]',
            [("position_rad", False, -1.0, -0.5), ("position_rad", True, 2.0, 1.5)],
        ),
        (
            'kind = "level"\nchannel = "position_rad"\noutside = [-1, 2]',
            [("position_rad", False, -1.0, None), ("position_rad", True, 2.0, None)],
        ),
        (
            'kind = "touch"\ncontact_s = 600\ndrop_off = 45',
            [("temperature_housing_degC", True, 48.0, 45.0)],
        ),
        ('kind = "silence"\nafter_s = 1', []),
        ('kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = 5\nover_s = 60', []),
    ],
    ids=["below", "share of rated", "outside", "outside, no inside", "touch", "silence", "rate"],
)
def test_the_levels_of_each_kind(settings: str, wanted: list):
    """Pick-up and drop-off in the channel's unit; kinds that have no level there have no line."""
    assert _lines(settings) == wanted


def test_a_share_of_nothing_has_no_line():
    """A joint without that rated value has no such limit, so none is drawn."""
    share = 'kind = "level"\nchannel = "torque_Nm"\nabove_rated = 1.0'
    assert _lines(share, RatedValues()) == []
