"""Frame lengths against the specification's figures, bit counts of real hardware and plain code."""

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.traffic.frame_length import bus_load, crc15, frame_bits, stuff_bits

X = EXTENDED
# id, flags, data, CRC, stuff bits, bits with the space behind: computed by code that shares nothing
# with this project, its CRC by long division and its stuffing by a destuffing round trip.
EXACT = [
    (0x123, 0, "0102030405060708", 0x64EF, 8, 119),
    (0x000, 0, "", 0x0000, 6, 53),
    (0x000, 0, "0000000000000000", 0x145B, 16, 127),
    (0x7FF, 0, "FFFFFFFFFFFFFFFF", 0x4C89, 15, 126),
    (0x014, 0, "01", 0x7753, 3, 58),
    (0x181, 0, "3706E803000058FF", 0x6E67, 9, 120),
    (0x18FEF100, X, "F7FFFF0300CCFFFF", 0x286F, 11, 142),
    (0x0CF00400, X, "FF7D7DE015FFF0FF", 0x3512, 10, 141),
]
# id, flags, length code, data, bits: counted by real bus interfaces, as the log files in python-can
# 4.6.1 (test/data/logfile.asc, logfile_errorframes.asc; LGPL-3.0) have them.
MEASURED = [
    (0x180, 0, 8, "6A00000000000000", 125),
    (0x221, 0, 8, "C24A058100001510", 117),
    (0x3FF, 0, 13, "55AA010203040506", 119),
    (0x0F4, 0, 8, "8A1A0DF213000007", 118),
    (0x6F8, 0, 8, "FF000CFE00000000", 124),
    (0x18EBFF00, X, 8, "01A00FA6603BD140", 141),
    (0x18EBFF00, X, 8, "021FDE8025DFC02B", 140),
    (0x18EBFF00, X, 8, "03E1004BFFFF3C0F", 146),
    (0x18EBFF00, X, 8, "04004BFFFFFFFFFF", 146),
]


def frames(*rows: tuple[int, int, str]) -> FrameBatch:
    """Return frames of (identifier, flags, data in hex)."""
    return FrameBatch.from_rows(
        [
            (index, number, flags, bytes.fromhex(data))
            for index, (number, flags, data) in enumerate(rows)
        ]
    )


def test_worked_frames():
    """CRC, stuff bits and length of worked frames come out, all in one batch."""
    batch = frames(*[row[:3] for row in EXACT])
    assert crc15(batch).tolist() == [row[3] for row in EXACT]
    assert stuff_bits(batch).tolist() == [row[4] for row in EXACT]
    assert frame_bits(batch).tolist() == [row[5] for row in EXACT]


def test_counted_by_hardware():
    """The lengths are those that real bus interfaces counted, a length code of 13 included."""
    batch = FrameBatch(
        time_ns=np.arange(len(MEASURED)),
        identifier=np.array([row[0] for row in MEASURED], np.uint32),
        flags=np.array([row[1] for row in MEASURED], np.uint8),
        length=np.array([row[2] for row in MEASURED], np.uint8),
        data=np.array([list(bytes.fromhex(row[3])) for row in MEASURED], np.uint8),
        bus=np.zeros(len(MEASURED), np.uint8),
    )
    assert frame_bits(batch).tolist() == [row[4] for row in MEASURED]


@pytest.mark.parametrize(("extended", "plain", "stuffable"), [(0, 47, 34), (X, 67, 54)])
def test_between_plain_and_worst(extended, plain, stuffable):
    """No frame is shorter than its bits or longer than the worst case.

    Worst case after Davis, Burns et al. 2007; the totals 111, 131, 135 and 160 of 8 bytes as in a
    Linux kernel patch that quotes ISO 11898-1:2015.
    """
    random = np.random.default_rng(6)
    for n in range(9):
        data = np.zeros((500, 8), np.uint8)
        data[:, :n] = random.choice([0, 0xFF, 0x0F, 0xF8, 0x1F, 0x3C], (500, n))
        number = random.integers(0, 1 << (29 if extended else 11), 500, np.uint32)
        batch = FrameBatch(
            time_ns=np.arange(500),
            identifier=number,
            flags=np.full(500, extended, np.uint8),
            length=np.full(500, n, np.uint8),
            data=data,
            bus=np.zeros(500, np.uint8),
        )
        bits = frame_bits(batch)
        assert bits.min() >= plain + 8 * n
        assert bits.max() <= plain + 8 * n + (stuffable + 8 * n - 1) // 4


def wire(number: int, *, extended: bool, remote: bool, code: int, data: bytes) -> str:
    """Write a classical frame from SOF to CRC as a string of bits, without stuffing."""
    if extended:
        bits = f"0{number >> 18:011b}11{number & 0x3FFFF:018b}{int(remote)}00{code:04b}"
    else:
        bits = f"0{number:011b}{int(remote)}00{code:04b}"
    bits += "".join(f"{octet:08b}" for octet in data)
    register = int(bits, 2) << 15
    for place in range(register.bit_length() - 1, 14, -1):
        if register >> place & 1:
            register ^= 0xC599 << (place - 15)
    return bits + f"{register:015b}"


def stuffed(bits: str) -> str:
    """Put the opposite bit behind every five alike, the put ones counted with the next."""
    out = ""
    for bit in bits:
        out += bit
        if out[-5:] == bit * 5:
            out += "1" if bit == "0" else "0"
    return out


def test_written_out_stream():
    """The plain code that the next test leans on writes two known streams bit by bit."""
    known = (
        "0001001000110001000001000001100000101000001001100000110000010010100000111000001011100001000"
        "110010011101111"
    )
    data = bytes.fromhex("0102030405060708")
    assert stuffed(wire(0x123, extended=False, remote=False, code=8, data=data)) == known
    plain = wire(0x014, extended=False, remote=False, code=1, data=b"\x01")
    assert plain == "000000010100000000100000001111011101010011"
    assert stuffed(plain) == "000001001010000010001000001001111011101010011"


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 0x1FFFFFFF),
            st.booleans(),
            st.booleans(),
            st.binary(max_size=8)
            | st.lists(st.sampled_from([0, 0xFF, 0x1F, 0xF0]), max_size=8).map(bytes),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_agrees_with_bits_written_out(rows):
    """Table steps a byte at a time equal the frame written out and stuffed bit by bit."""
    expected, batch = [], []
    for number, extended, remote, data in rows:
        identifier = number if extended else number & 0x7FF
        sent = b"" if remote else data
        bits = wire(identifier, extended=extended, remote=remote, code=len(data), data=sent)
        expected.append(len(stuffed(bits)) + 13)
        batch.append((0, identifier, extended * X + remote * REMOTE, data))
    assert frame_bits(FrameBatch.from_rows(batch)).tolist() == expected


def test_remote_error_and_sent_frames():
    """A remote frame carries no data, an error frame counts 0, who sent a frame does not matter."""
    batch = FrameBatch.from_rows(
        [
            (0, 0x123, REMOTE, b"\x00" * 8),
            (0, 0x123, ERROR, b"\x00" * 8),
            (0, 0x123, SENT, bytes.fromhex("0102030405060708")),
        ]
    )
    remote, error, sent = frame_bits(batch)
    assert 47 <= remote <= 55
    assert error == 0
    assert sent == 119


@pytest.mark.parametrize(
    ("flags", "size", "plain", "worst"),
    [
        (FD, 8, 126, 147),
        (FD, 16, 190, 227),
        (FD, 20, 227, 272),
        (FD, 48, 451, 552),
        (FD, 64, 579, 712),
        (FD | X, 64, 598, 736),
    ],
)
def test_can_fd_totals(flags, size, plain, worst):
    """CAN FD frames lie between the plain and the worst totals of ISO 11898-1:2015.

    64 bytes: as a Linux kernel patch that quotes the standard has them; the others are derived.
    """
    calm = FrameBatch.from_rows(
        [(0, 0x2AA if not flags & X else 0x0AAAAAAA, flags, b"\x55" * size)]
    )
    assert frame_bits(calm)[0] - stuff_bits(calm)[0] == plain
    # Four alike and four of the other sort in turn are stuffed most, once in step.
    fours = [0x0F, 0x1E, 0x3C, 0x78, 0xF0, 0xE1, 0xC3, 0x87]
    bad = FrameBatch.from_rows([(0, 0, flags, bytes([octet] * size)) for octet in fours])
    assert worst - 8 <= frame_bits(bad).max() <= worst


def test_can_fd_between_sizes_is_filled_up():
    """Ten bytes go out as twelve."""
    ten, twelve = (FrameBatch.from_rows([(0, 5, FD, bytes(n))]) for n in (10, 12))
    assert frame_bits(ten) == frame_bits(twelve)


def test_load_of_twelve_nodes():
    """Twelve nodes at 250 Hz with 8 bytes: between 33.3 % plain and 40.5 % worst at 1 Mbit/s."""
    random = np.random.default_rng(1)
    count = 12 * 250
    batch = FrameBatch(
        time_ns=np.arange(count),
        identifier=np.tile(np.arange(12, dtype=np.uint32) + 0x180, 250),
        flags=np.zeros(count, np.uint8),
        length=np.full(count, 8, np.uint8),
        data=random.integers(0, 256, (count, 8), np.uint8),
        bus=np.zeros(count, np.uint8),
    )
    assert 0.333 <= bus_load(frame_bits(batch), bitrate=1_000_000, span_s=1.0) <= 0.405
    assert bus_load(frame_bits(batch), bitrate=500_000, span_s=1.0) == 2 * bus_load(
        frame_bits(batch), bitrate=1_000_000, span_s=1.0
    )


def test_no_frames():
    """An empty batch has no lengths and no load."""
    assert len(frame_bits(FrameBatch.empty())) == 0
    assert bus_load(frame_bits(FrameBatch.empty()), bitrate=1_000_000, span_s=1.0) == 0.0


def test_is_cheap():
    """Two thousand frames take some milliseconds at most, with room for a busy machine."""
    batch = frames(*[row[:3] for row in EXACT] * 250)
    best = float("inf")
    for _ in range(5):
        began = time.perf_counter()
        frame_bits(batch)
        best = min(best, time.perf_counter() - began)
    assert best < 0.05
