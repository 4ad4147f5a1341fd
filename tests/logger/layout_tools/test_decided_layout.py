"""The layout that a proposal makes, once every value is decided about."""

import pytest

from logger.errors import InputError
from logger.joint.bench.layout import parse_layout
from logger.layout_tools.decided_layout import layout_text
from logger.layout_tools.proposal_file import (
    parse_proposal,
    proposal_file_text,
    undecided_values,
)
from tests.logger.layout_tools.proposed_values import (
    NOW,
    SPEED,
    decided_by,
    file_value,
    proposal_of,
)


def test_every_value_has_to_be_decided():
    """One confirmed, one open: no layout; the numbers of the open ones are told."""
    file = decided_by(proposal_of(file_value(), file_value(**SPEED)), {1}, set())
    assert undecided_values(file) == [2]
    with pytest.raises(InputError, match=r"1 values that nobody has decided about \(2\)"):
        layout_text(file, "drive.proposed.toml")
    with pytest.raises(InputError, match="every value left out"):
        layout_text(decided_by(proposal_of(file_value()), set(), {1}), "drive.proposed.toml")


def test_confirmed_corrected_and_assumed_stay_apart():
    """In the layout for ever, with the name and the time; what was left out is not in it."""
    file = proposal_of(
        file_value(), file_value(**SPEED), file_value(byte=6, channel="", meaning="unknown")
    )
    text = proposal_file_text(file).replace("offset  = -40.0", "offset  = -50.0", 1)
    edited = parse_proposal(text, "drive.proposed.toml")
    decided = decided_by(edited, {1, 2}, {3})
    assert [value.state for value in decided.values] == ["corrected", "confirmed", "left out"]
    layout = parse_layout(layout_text(decided, "drive.proposed.toml")[0], "drive.toml")
    temperature, speed = layout.frame[0].value
    assert temperature.origin is not None
    assert speed.origin is not None
    assert (temperature.origin.state, temperature.origin.by) == ("corrected", "A. Body")
    assert (temperature.origin.seen_bits, temperature.origin.assumed) == (5, ("upper bits",))
    assert (speed.origin.state, speed.origin.on, speed.origin.assumed) == ("confirmed", NOW, ())
    # Offset binary has its middle at half of the range.
    assert (speed.scale, speed.offset, speed.order) == (-0.25, 512.0, "big")
    # A scale that was not sure is an assumption where nobody corrected it.
    plain = layout_text(decided_by(proposal_of(file_value()), {1}, set()), "drive.proposed.toml")[0]
    (value,) = parse_layout(plain, "drive.toml").frame[0].value
    assert value.origin is not None
    assert value.origin.assumed == ("scale", "upper bits")


def test_an_encoder_needs_words_in_the_bench_file():
    """Its counts are a turn of the motor; what it turns backwards is said to the bench."""
    encoder = {
        "meaning": "position", "channel": "position_rad", "byte": 4, "bits": 12, "seen_bits": 12,
        "form": "unsigned", "scale": -2 * 3.141592653589793 / 3600 / 50, "offset": 0.0,
        "restarts_at": 3600,
    }  # fmt: skip
    file = decided_by(proposal_of(file_value(**encoder), file_value(**SPEED)), {1, 2}, set())
    text, bench = layout_text(file, "drive.proposed.toml")
    position, speed = parse_layout(text, "drive.toml").frame[0].value
    assert position.encoder is not None
    assert (position.encoder.counts, position.side) == (3600, "motor")
    assert (speed.scale, speed.offset) == (0.25, -512.0)
    assert bench[0] == "reversed = true"
    assert bench[1].startswith("gear_ratio = 50  #")


def test_a_form_that_a_layout_cannot_have_is_refused():
    """A sign and a magnitude."""
    magnitude = decided_by(proposal_of(file_value(form="sign_magnitude")), {1}, set())
    with pytest.raises(InputError, match="a sign and a magnitude, which a layout cannot say"):
        layout_text(magnitude, "drive.proposed.toml")
