"""A proposal as a file: refused as a layout, decided value by value, then a layout."""

from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.layout import parse_layout
from logger.layout_tools.proposal_file import (
    FileKind,
    FileValue,
    ProposalFile,
    Sureness,
    check_of,
    decide,
    layout_text,
    parse_proposal,
    proposal_file_text,
    undecided_values,
)

NOW = "2026-05-04T10:00:00+00:00"


def _value(**keys) -> FileValue:
    content = {
        "state": "proposed", "meaning": "temperature", "channel": "temperature_first_degC",
        "byte": 1, "bits": 8, "form": "unsigned", "scale": 0.5, "offset": -40.0, "seen_bits": 5,
        "sure": Sureness(place=0.98, meaning=0.95, scale=0.6),
    }  # fmt: skip
    value = FileValue.model_validate({**content, **keys})
    return value.model_copy(update={"check": check_of(value)})


SPEED = {
    "meaning": "speed", "channel": "speed_rad_s", "byte": 2, "bit": 3, "bits": 12, "order": "big",
    "form": "offset_binary", "scale": -0.25, "offset": 0.0, "seen_bits": 12,
    "sure": Sureness(place=0.98, meaning=0.98, scale=0.97),
}  # fmt: skip


def _file(*values: FileValue) -> ProposalFile:
    kind = FileKind(name="0x120", identifier="0x120", length=8, frames=100, value=values)
    return ProposalFile(
        proposal=1, name="drive", source="run.log", undecided=('What "it" means.',), kind=(kind,)
    )


def _decided(file: ProposalFile, confirm: set[int], leave_out: set[int]) -> ProposalFile:
    return decide(
        file, confirm=frozenset(confirm), leave_out=frozenset(leave_out), by="A. Body", on=NOW
    )


def test_the_file_says_all_of_it():
    """Written and read again it is the same, quotation marks and all."""
    file = _file(_value(), _value(**SPEED))
    assert parse_proposal(proposal_file_text(file), "drive.proposed.toml") == file


def test_it_is_refused_as_a_layout():
    """A bench that names it is told what it is, and what to do."""
    with pytest.raises(InputError, match=r"is a proposal and no layout yet.*layout confirm"):
        parse_layout(proposal_file_text(_file(_value())), "drive.proposed.toml")


def test_every_value_has_to_be_decided():
    """One confirmed, one open: no layout; the numbers of the open ones are told."""
    file = _decided(_file(_value(), _value(**SPEED)), {1}, set())
    assert undecided_values(file) == [2]
    with pytest.raises(InputError, match=r"1 values that nobody has decided about \(2\)"):
        layout_text(file, "drive.proposed.toml")
    with pytest.raises(InputError, match="every value left out"):
        layout_text(_decided(_file(_value()), set(), {1}), "drive.proposed.toml")


def test_confirmed_corrected_and_assumed_stay_apart():
    """In the layout for ever, with the name and the time; what was left out is not in it."""
    file = _file(_value(), _value(**SPEED), _value(byte=6, channel="", meaning="unknown"))
    text = proposal_file_text(file).replace("offset  = -40.0", "offset  = -50.0", 1)
    edited = parse_proposal(text, "drive.proposed.toml")
    decided = _decided(edited, {1, 2}, {3})
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
    plain = layout_text(_decided(_file(_value()), {1}, set()), "drive.proposed.toml")[0]
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
    file = _decided(_file(_value(**encoder), _value(**SPEED)), {1, 2}, set())
    text, bench = layout_text(file, "drive.proposed.toml")
    position, speed = parse_layout(text, "drive.toml").frame[0].value
    assert position.encoder is not None
    assert (position.encoder.counts, position.side) == (3600, "motor")
    assert (speed.scale, speed.offset) == (0.25, -512.0)
    assert bench[0] == "reversed = true"
    assert bench[1].startswith("gear_ratio = 50  #")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (('state   = "proposed"', 'state   = "yes"'), "state"),
        (("proposal = 1", "prop = 1"), "found no proposal"),
        (('channel = "temperature_first_degC"', 'channel = ""'), "channel"),
    ],
)
def test_mistakes_in_the_file(change: tuple[str, str], sentence: str):
    """One sentence each."""
    text = proposal_file_text(_decided(_file(_value(), _value(**SPEED)), {1}, set()))
    text = text.replace('state   = "confirmed"', 'state   = "proposed"', 0)
    with pytest.raises(InputError, match=sentence):
        parse_proposal(text.replace(*change), "drive.proposed.toml")


def test_decisions_that_cannot_be():
    """A number that is none, one in both, a value without a channel."""
    file = _file(_value(), _value(channel="", state="left out"))
    with pytest.raises(InputError, match="found value 3, expected 1 to 2"):
        _decided(file, {3}, set())
    with pytest.raises(InputError, match="value 1: found in both"):
        _decided(file, {1}, {1})
    with pytest.raises(InputError, match="value 2: found no channel"):
        _decided(file, {2}, set())
    magnitude = _decided(_file(_value(form="sign_magnitude")), {1}, set())
    with pytest.raises(InputError, match="a sign and a magnitude, which a layout cannot say"):
        layout_text(magnitude, str(Path("drive.proposed.toml")))
