"""Random layouts as files, random frames: the readings are what a cantools database gives."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from cantools.database.errors import Error
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import EXTENDED, FD, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.value import BitPosition
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from tests.support.depth import examples

CHANNELS = ["current_A", "voltage_V", "torque_Nm", "speed_rad_s", "position_rad", "fault_code"]
LENGTHS = [1, 2, 3, 7, 8, 8, 8, 12, 24, 64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A field: where it stands in our words, and the same signal in cantools'."""

    place: BitPosition
    signal: Signal

    @property
    def keys(self) -> str:
        """The place as TOML."""
        one = self.place
        return f'byte = {one.byte}, bit = {one.bit}, bits = {one.bits}, order = "{one.order}"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Frames of one identifier: as text of a layout, and as cantools' message."""

    toml: str
    message: Message


@st.composite
def _fields(
    draw: st.DrawFn,
    taken: set[tuple[int, int]],
    length: int,
    *,
    name: str,
    whole: bool,
    mux: tuple[str, int] | None = None,
) -> tuple[Drawn, str] | None:
    """Draw a field on bits that are free, and what it says beyond its place; None: no room."""
    floating = not whole and draw(st.sampled_from([False, False, True]))
    bits = draw(st.sampled_from([16, 32, 64]) if floating else st.integers(1, 32 if whole else 64))
    order = draw(st.sampled_from(["little", "big"]))
    byte, bit = draw(st.integers(0, length - 1)), draw(st.integers(0, 7))
    signed = not floating and not whole and bits > 1 and draw(st.booleans())
    scale = 1.0 if whole else draw(st.sampled_from([1.0, 0.1, 0.125, -2.0]))
    offset = 0.0 if whole else draw(st.sampled_from([0.0, -40.0, 7.5]))
    place = BitPosition(byte=byte, bit=bit, bits=bits, order=order, signed=signed)
    places = set(place.bit_places)
    if max(at for at, _ in places) >= length or places & taken:
        return None
    taken |= places
    signal = Signal(
        name,
        byte * 8 + bit,
        bits,
        byte_order=f"{order}_endian",
        is_signed=signed,
        conversion=BaseConversion.factory(scale=scale, offset=offset, is_float=floating),
        multiplexer_ids=None if mux is None else [mux[1]],
        multiplexer_signal=None if mux is None else mux[0],
    )
    says = f", scale = {scale}, offset = {offset}"
    says += ', type = "float"' if floating else f", signed = {str(signed).lower()}"
    return Drawn(place=place, signal=signal), says


@st.composite
def _kinds(draw: st.DrawFn, base: int, *, node: int, extended: bool) -> Kind:
    """Draw the frames of an identifier: one kind, or kinds that a field anywhere tells apart."""
    length = draw(st.sampled_from(LENGTHS))
    taken: set[tuple[int, int]] = set()
    mux: Drawn | None = None
    if draw(st.booleans()):
        found = draw(_fields(taken, length, name="kind", whole=True))
        mux = found[0] if found is not None else None
    signals: list[Signal] = []
    # Of each kind its own values, and those that all have.
    common: list[str] = []
    own: dict[int, list[str]] = {}
    if mux is not None:
        most = min(2**mux.place.bits - 1, 300)
        own = {value: [] for value in draw(st.sets(st.integers(0, most), min_size=1, max_size=3))}
    for channel in CHANNELS:
        chosen = draw(st.sampled_from([None, *own]))
        found = draw(
            _fields(
                taken, length, name=channel, whole=channel == "fault_code",
                mux=None if chosen is None else ("kind", chosen),
            )
        )  # fmt: skip
        if found is None:
            continue
        drawn, says = found
        signals.append(drawn.signal)
        line = f'  {{ channel = "{channel}", {drawn.keys}{says} }},'
        (common if chosen is None else own[chosen]).append(line)
    # cantools takes a multiplexer that chooses nothing for any value; so do we without a match.
    own = {value: lines for value, lines in own.items() if lines}
    if mux is not None and own:
        one = mux.signal
        one.is_multiplexer = True
        signals.append(one)
    message = Message(
        base + node, f"m{base}", length, signals, is_extended_frame=extended, is_fd=length > 8
    )
    frames = []
    for value, lines in own.items() if mux is not None and own else [(None, [])]:
        match = ""
        if value is not None:
            assert mux is not None
            match = f"match = [{{ {mux.keys}, equals = {value} }}]\n"
        values = "\n".join([*common, *lines])
        frames.append(
            f'[[frame]]\nname = "m{base} {value}"\nidentifier = "{base} + node"\n'
            f"extended = {str(extended).lower()}\nlength = {length}\n{match}value = [\n{values}\n]"
        )
    return Kind(toml="\n".join(frames), message=message)


@st.composite
def _buses(draw: st.DrawFn) -> tuple[int, list[Kind]]:
    """Draw a node and the frames of one to three identifiers, 11 and 29 bits."""
    node = draw(st.integers(0, 15))
    bases = draw(st.lists(st.integers(1, 0x7F0), min_size=1, max_size=3, unique=True))
    return node, [draw(_kinds(base, node=node, extended=draw(st.booleans()))) for base in bases]


@settings(max_examples=examples(150))
@given(drawn=_buses(), data=st.data())
def test_any_layout_decodes_as_cantools_decodes_it(
    drawn: tuple[int, list[Kind]], data: st.DataObject
):
    """1 to 64 bits at any bit, both orders, signed, IEEE, told apart by any field, 1 to 64 bytes.

    Outside: cantools' own decoding of each payload.
    """
    node, kinds = drawn
    text = "\n".join(['format = 1\nname = "l"', *(kind.toml for kind in kinds)])
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\nfd = true\n[[joint]]\nname = "a"\nlayout = "l"\n'
        f"node = {node}\n",
        {"l": text},
        where="bench.toml",
    )
    sent = []
    for _ in range(data.draw(st.integers(1, 6))):
        message = data.draw(st.sampled_from(kinds)).message
        payload = data.draw(st.binary(min_size=message.length, max_size=message.length))
        sent.append((message, payload))
    frames = FrameBatch.from_rows(
        [
            (
                at,
                message.frame_id,
                (EXTENDED if message.is_extended_frame else 0) | (FD if message.is_fd else 0),
                payload,
            )
            for at, (message, payload) in enumerate(sent)
        ]
    )
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    (readings,) = decoded.readings
    row_of = {int(at): row for row, at in enumerate(readings.time_ns)}
    for at, (message, payload) in enumerate(sent):
        try:
            expected = message.decode(payload, decode_choices=False)
        except (Error, KeyError):
            # A value of the multiplexer that chooses nothing.
            assert at not in row_of
            continue
        row = row_of[at]
        for channel, values in readings.columns.items():
            number = expected.get(channel)
            if number is None or not math.isfinite(number):
                assert np.isnan(values[row])
            else:
                assert values[row] == pytest.approx(float(number), rel=1e-12, abs=1e-12)
