"""What was found of checksums and counters in traffic is what a layout then computes."""

from dataclasses import replace

import numpy as np
import pytest

from logger.joint.bench.frame_checks import Checksum
from logger.joint.bench.layout import parse_layout
from logger.joint.decode.checksums import compute_checksums
from logger.layout_finder.bits import BitField
from logger.layout_finder.checksum import find_checksum
from logger.layout_finder.counter import FoundCounter, find_counters
from logger.layout_finder.proposal import ProposedKind
from logger.layout_tools.decided_layout import layout_text
from logger.layout_tools.proposal_file import (
    FileKind,
    ProposalFile,
    parse_proposal,
    proposal_file_text,
)
from logger.layout_tools.proposed_checks import checksum_of, counter_of, undecided_checks

WIDTH = 6


def _kind(payload: np.ndarray) -> ProposedKind:
    return ProposedKind(
        identifier=0x120, extended=False, length=payload.shape[1], multiplexer=None,
        multiplexer_value=None, frames=len(payload), period_s=0.01,
        checksum=find_checksum(payload), counters=find_counters(payload), values=(),
    )  # fmt: skip


def _payload(seed: int) -> np.ndarray:
    """Return frames with a counter of four bits in byte 1 and noise, uint8[600, 6]."""
    random = np.random.default_rng(seed)
    payload = random.integers(0, 256, (600, WIDTH)).astype(np.uint8)
    payload[:, 1] = np.arange(600) % 16
    return payload


@pytest.mark.parametrize(
    "keys",
    [
        {"byte": 5, "method": "xor", "final_xor": 0x3C},
        {"byte": 5, "method": "sum", "initial": 0x21},
        {"byte": 5, "method": "negative-sum", "initial": 0x21, "covers": [1, 4]},
        {"byte": 5, "method": "crc8", "polynomial": 0x1D, "initial": 0xFF, "final_xor": 0xFF},
        {"byte": 0, "method": "crc8", "polynomial": 0x2F, "initial": 0x11},
        {"byte": 5, "method": "crc8", "polynomial": 0x31, "reflected": True, "covers": [1, 4]},
    ],
    ids=lambda keys: f"{keys['method']} at {keys['byte']}",
)
def test_a_found_checksum_becomes_that_of_the_layout(keys: dict[str, object]):
    """It agrees with frames that the finder has not seen, whichever start value they had."""
    truth = Checksum.model_validate(keys)
    seen, later = _payload(1), _payload(2)
    for payload in (seen, later):
        payload[:, truth.byte] = compute_checksums(payload, truth, WIDTH)
    found = checksum_of(_kind(seen))
    assert found is not None
    assert (found.method, found.covers) == (truth.method, truth.covers)
    # Of an XOR over all bytes each follows from the others.
    assert found.byte == truth.byte or truth.method == "xor"
    assert (compute_checksums(later, found, WIDTH) == later[:, found.byte]).all()


def test_a_checksum_that_several_ways_give_is_none():
    """Of them a wrong one would have good frames left undecoded; it is said instead."""
    payload = _payload(1)
    payload[:, 5] = compute_checksums(payload, Checksum(byte=5, method="xor"), WIDTH)
    kind = _kind(payload)
    assert kind.checksum is not None
    unclear = replace(kind, checksum=replace(kind.checksum, alike=2))
    assert checksum_of(unclear) is None
    assert "3 ways" in undecided_checks(unclear)


def test_a_found_counter_becomes_that_of_the_layout():
    """Upwards, and downwards; the rest of its byte is no part of it."""
    payload = _payload(3)
    counter = counter_of(_kind(payload))
    assert counter is not None
    assert (counter.byte, counter.first_bit, counter.bits, counter.step) == (1, 0, 4, 1)
    downwards = FoundCounter(BitField(8, 8, "little"), step=255, modulus=256, agreement=1.0)
    counter = counter_of(replace(_kind(payload), counters=(downwards,)))
    assert counter is not None
    assert (counter.bits, counter.step) == (8, -1)


def test_they_go_through_the_proposal_into_the_layout():
    """As the person finds them in the file, and as the layout has them when it is made."""
    payload = _payload(4)
    payload[:, 5] = compute_checksums(
        payload, Checksum(byte=5, method="crc8", polynomial=0x1D), WIDTH
    )
    kind = _kind(payload)
    value = {
        "state": "confirmed", "by": "Ada", "on": "2026-11-29", "meaning": "voltage",
        "channel": "voltage_V", "byte": 2, "bits": 16, "form": "unsigned", "scale": 0.01,
        "seen_bits": 16, "sure": {"place": 1.0, "meaning": 1.0, "scale": 1.0},
    }  # fmt: skip
    file = ProposalFile(
        proposal=1,
        name="drive",
        kind=(
            FileKind.model_validate(
                {
                    "name": "0x120", "identifier": "0x120", "length": WIDTH, "period_s": 0.01,
                    "checksum": checksum_of(kind), "counter": counter_of(kind), "value": (value,),
                }
            ),
        ),
    )  # fmt: skip
    read = parse_proposal(proposal_file_text(file), "drive.proposed.toml")
    assert (read.kind[0].checksum, read.kind[0].counter) == (checksum_of(kind), counter_of(kind))
    (frame,) = parse_layout(layout_text(read, "drive.proposed.toml")[0], "drive.toml").frame
    assert (frame.checksum, frame.counter) == (checksum_of(kind), counter_of(kind))
