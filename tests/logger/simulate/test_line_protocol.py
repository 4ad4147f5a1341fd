import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.simulate.line_protocol import CanFrame, LineProtocol


def echo(frame):
    """Answer every data frame with its bytes on the next identifier."""
    if frame.remote:
        return []
    return [CanFrame(identifier=frame.identifier + 1, extended=frame.extended, data=frame.data)]


@pytest.fixture
def adapter():
    """Return a closed adapter on a bus that echoes."""
    return LineProtocol(echo)


@pytest.mark.parametrize(
    ("said", "answered"),
    [
        (b"S8\r", b"\r"),
        (b"s031C\r", b"\r"),
        (b"V\r", b"V0101\r"),
        (b"N\r", b"NDT01\r"),
        (b"\r", b"\r"),
        (b"C\r", b"\r"),
        (b"O\r", b"\r"),
        (b"O\rO\r", b"\r\r"),
        (b"L\rL\r", b"\r\r"),
        (b"O\rL\r", b"\r\a"),
        (b"O\rS8\r", b"\r\a"),
        (b"O\rF\r", b"\rF00\r"),
        (b"F\r", b"\a"),
        (b"S\r", b"\a"),
        (b"X\r", b"\a"),
        (b"t12301A\r", b"\a"),
        (b"O\rC\rt12301A\r", b"\r\r\a"),
    ],
)
def test_commands(adapter, said, answered):
    """Each command is done or refused as the protocol says."""
    assert adapter.feed_bytes(said) == answered


def test_frames_of_every_kind(adapter):
    """Standard and extended data frames are answered; remote frames are taken."""
    adapter.feed_bytes(b"S8\rO\r")
    assert adapter.feed_bytes(b"t1C3141\r") == b"\rt1C4141\r"
    assert adapter.feed_bytes(b"t7FE80011223344556677\r") == b"\rt7FF80011223344556677\r"
    assert adapter.feed_bytes(b"T18feF1002abCD\r") == b"\rT18FEF1012ABCD\r"
    assert adapter.feed_bytes(b"t1230\r") == b"\rt1240\r"
    assert adapter.feed_bytes(b"r1238\r") == b"\r"
    assert adapter.feed_bytes(b"R000001238\r") == b"\r"


@pytest.mark.parametrize(
    "line",
    [
        b"t8001FF",  # twelve bits of identifier
        b"t1239001122334455667788",  # nine bytes
        b"t12320011AA",  # a byte too many
        b"t123200",  # a byte missing
        b"t1232 0 1",
        b"t12g100",
        b"t+12100",
        b"T200000001FF",  # thirty bits
        b"r123100",  # a remote frame has no data
        b"t",
        b"\xff\x00\x80",
    ],
)
def test_wrong_frames_are_refused(adapter, line):
    """A frame that is not right costs one BEL, and the next one works."""
    adapter.feed_bytes(b"O\r")
    assert adapter.feed_bytes(line + b"\r") == b"\a"
    assert adapter.feed_bytes(b"t1C3141\r") == b"\rt1C4141\r"


def test_listening_only_sends_nothing():
    """While it only listens, no frame reaches the bus."""
    reached = []
    adapter = LineProtocol(lambda frame: reached.append(frame) or [])
    assert adapter.feed_bytes(b"S8\rL\rt1C3141\rr1238\r") == b"\r\r\a\a"
    assert reached == []
    assert adapter.frame_lines([CanFrame(identifier=0x2C3, data=b"\x41")]) == b"t2C3141\r"


def test_a_line_without_end_is_forgotten(adapter):
    """A megabyte without CR is not kept; it costs one BEL when it ends."""
    adapter.feed_bytes(b"O\r")
    for _ in range(100):
        assert adapter.feed_bytes(b"t" * 10_000) == b""
    assert adapter.feed_bytes(b"\r") == b"\a"
    assert adapter.feed_bytes(b"t1C3141\r") == b"\rt1C4141\r"


@given(
    st.lists(
        st.sampled_from(
            [b"S8\r", b"O\r", b"L\r", b"C\r", b"t1C3141\r", b"V\r", b"zz\r", b"T0000000112A\r"]
        )
    ),
    st.lists(st.integers(0, 100)),
)
def test_pieces_do_not_matter(commands, cuts):
    """However the bytes arrive, the answers are the same."""
    stream = b"".join(commands)
    whole = LineProtocol(echo).feed_bytes(stream)
    edges = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    pieces = LineProtocol(echo)
    said = b"".join(
        pieces.feed_bytes(stream[begin:end]) for begin, end in itertools.pairwise(edges)
    )
    assert said == whole


@given(st.binary(max_size=300))
def test_rubbish_never_breaks_it(rubbish):
    """Any bytes at all: no exception, and afterwards it works."""
    adapter = LineProtocol(echo)
    adapter.feed_bytes(rubbish)
    adapter.feed_bytes(b"\rC\rO\r")
    assert adapter.feed_bytes(b"t1C3141\r") == b"\rt1C4141\r"
