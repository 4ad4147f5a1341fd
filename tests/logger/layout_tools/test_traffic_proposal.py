"""Marks and frames are read, and what cannot be used is refused in one sentence."""

from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.layout_finder.bits import BitField, join_pieces
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import (
    Evidence,
    Meaning,
    Probabilities,
    Proposal,
    ProposedKind,
    ProposedValue,
    Rival,
)
from logger.layout_finder.traffic import Marks
from logger.layout_tools.proposal_file import parse_proposal, proposal_file_text
from logger.layout_tools.proposal_words import undecided_sentences
from logger.layout_tools.traffic_proposal import (
    FoundFrames,
    proposal_to_file,
    propose_from,
    read_frames,
    read_marks,
)

MARKS = "rest = [0.0, 3.0]\nturn = [3.0, 8.0]\nload = [8.0, 14.0]\nwarm = [14.0, 19.0]\n"


def _frames(payloads: np.ndarray) -> FoundFrames:
    rows = [
        (1_700_000_000_000_000_000 + 10_000_000 * number, 0x120, 0, bytes(row))
        for number, row in enumerate(payloads)
    ]
    return FoundFrames(frames=FrameBatch.from_rows(rows), source="run.log")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "found no step"),
        ("rest = [5.0, 2.0]", "its start and then its end"),
        ("turn = 4", "turn"),
        ('turn = [1.0, 2.0]\npositive = "up"', "positive"),
        ("turn = [1.0, 2.0]\nmass = 3", "mass_kg"),
        ("turn = [1.0", "TOML"),
    ],
)
def test_marks_that_are_none(tmp_path: Path, text: str, sentence: str):
    """The file, the key, what was expected."""
    path = tmp_path / "marks.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=sentence):
        read_marks(path)


def test_a_weight_of_nothing_is_none(tmp_path: Path):
    """It gives the load no scale, and does not divide by it."""
    path = tmp_path / "marks.toml"
    path.write_text(MARKS + "mass_kg = 0\narm_m = 0.4\n", encoding="utf-8")
    assert read_marks(path).typed.mass_kg is None


def test_frames_that_are_none(tmp_path: Path):
    """A log of nothing, and no log at all."""
    (tmp_path / "empty.log").write_text("", encoding="ascii")
    with pytest.raises(InputError, match=r"empty\.log"):
        read_frames(tmp_path / "empty.log")
    with pytest.raises(InputError, match=r"nowhere\.log"):
        read_frames(tmp_path / "nowhere.log")


@pytest.mark.parametrize("what", ["nothing changes", "encrypted"])
def test_what_tells_nothing_is_said(tmp_path: Path, what: str):
    """Frames that never change, or change as by chance: no meaning is claimed, and it is told."""
    path = tmp_path / "marks.toml"
    path.write_text(MARKS, encoding="utf-8")
    payloads = np.full((2000, 8), 7, dtype=np.uint8)
    if what == "encrypted":
        payloads = np.random.default_rng(3).integers(0, 256, (2000, 8)).astype(np.uint8)
    proposal = propose_from(_frames(payloads), read_marks(path))
    values = [value for kind in proposal.kinds for value in kind.values]
    assert all(value.probability.meaning < 0.5 for value in values)
    sentences = undecided_sentences(proposal)
    assert any("Nothing went once around and back" in one for one in sentences)
    file = proposal_to_file(proposal, name="drive", source="run.log")
    assert all(value.state == "left out" for value in file.values)


def test_a_step_outside_of_the_frames(tmp_path: Path):
    """Marks of another run."""
    path = tmp_path / "marks.toml"
    path.write_text("turn = [400.0, 430.0]\n", encoding="utf-8")
    with pytest.raises(InputError, match="turn: found 400 to 430 s, expected it"):
        propose_from(_frames(np.zeros((500, 8), dtype=np.uint8)), read_marks(path))


@pytest.mark.parametrize("seen", [BitField(8, 7), join_pieces(BitField(8, 8), BitField(36, 4))])
def test_a_value_in_two_pieces_is_told_and_left_out(seen: BitField):
    """A layout holds no such value: its place is written, and where its upper bits lie.

    Also where these never changed.
    """
    sure = Probabilities(0.9, 0.9, 0.9)
    value = ProposedValue(
        field=seen,
        assumed_field=join_pieces(BitField(8, 8), BitField(36, 4)),
        form=NumberForm.TWOS_COMPLEMENT,
        meaning=Meaning.SPEED,
        scale=0.01,
        offset=0.0,
        modulus=None,
        probability=sure,
        evidence=Evidence(40.0, 40.0),
    )
    kind = ProposedKind(
        *(0x120, False, 8, None, None, 900, 0.01),
        checksum=None,
        counters=(),
        values=(value,),
    )
    proposal = Proposal(kinds=(kind,), undecided=(), marks=Marks())
    written = proposal_to_file(proposal, name="drive", source="log")
    (one,) = written.kind[0].value
    assert (one.state, one.channel, one.byte, one.bits) == ("left out", "", 1, 8)
    assert "its upper 4 bits begin at byte 4 bit 4" in one.reason


def test_another_reading_says_how_many_bits_it_takes_and_where():
    """With upper bits that lie apart, or only another length; what is read back is the same."""
    lower = BitField(8, 8)
    value = ProposedValue(
        field=lower, assumed_field=lower, form=NumberForm.UNSIGNED, meaning=Meaning.TEMPERATURE,
        scale=0.5, offset=-40.0, modulus=None, probability=Probabilities(0.9, 0.9, 0.7),
        evidence=Evidence(40.0, 40.0),
        rivals=(
            Rival(Meaning.TEMPERATURE, 0.1, -40.0, 0.2, join_pieces(lower, BitField(36, 4))),
            Rival(Meaning.VOLTAGE, 0.25, 0.0, 0.1, lower),
        ),
    )  # fmt: skip
    kind = ProposedKind(
        *(0x120, False, 8, None, None, 900, 0.01), checksum=None, counters=(), values=(value,)
    )
    proposal = Proposal(kinds=(kind,), undecided=(), marks=Marks())
    written = proposal_to_file(proposal, name="drive", source="log")
    apart, other = written.kind[0].value[0].rivals
    assert (apart.bits, apart.upper_at, other.bits, other.upper_at) == (12, (4, 4), 8, None)
    again = parse_proposal(proposal_file_text(written), "drive.proposed")
    assert again.kind[0].value[0].rivals == (apart, other)
