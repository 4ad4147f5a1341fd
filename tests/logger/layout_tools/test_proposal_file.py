"""A proposal as a file: refused as a layout, decided value by value."""

import pytest

from logger.errors import InputError
from logger.joint.bench.layout import parse_layout
from logger.layout_tools.proposal_file import parse_proposal, proposal_file_text
from tests.logger.layout_tools.proposed_values import SPEED, decided_by, file_value, proposal_of


def test_the_file_says_all_of_it():
    """Written and read again it is the same, quotation marks and all."""
    file = proposal_of(file_value(), file_value(**SPEED))
    assert parse_proposal(proposal_file_text(file), "drive.proposed.toml") == file


def test_it_is_refused_as_a_layout():
    """A bench that names it is told what it is, and what to do."""
    with pytest.raises(InputError, match=r"is a proposal and no layout yet.*layout confirm"):
        parse_layout(proposal_file_text(proposal_of(file_value())), "drive.proposed.toml")


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
    text = proposal_file_text(
        decided_by(proposal_of(file_value(), file_value(**SPEED)), {1}, set())
    )
    text = text.replace('state   = "confirmed"', 'state   = "proposed"', 0)
    with pytest.raises(InputError, match=sentence):
        parse_proposal(text.replace(*change), "drive.proposed.toml")


def test_decisions_that_cannot_be():
    """A number that is none, one in both, a value without a channel."""
    file = proposal_of(file_value(), file_value(channel="", state="left out"))
    with pytest.raises(InputError, match="found value 3, expected 1 to 2"):
        decided_by(file, {3}, set())
    with pytest.raises(InputError, match="value 1: found in both"):
        decided_by(file, {1}, {1})
    with pytest.raises(InputError, match="value 2: found no channel"):
        decided_by(file, {2}, set())
