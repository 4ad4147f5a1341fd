"""Decoding against cantools, frame by frame: `make bench` prints the table.

cantools only takes the bits out and scales them; ours also counts turns, leaves out "no value",
holds every value against its channel's range and derives torque.
"""

from typing import Final

import cantools.database
import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames as simulated_frames
from tests.benchmarks.measure import START_NS, guard_at_least, measure_cpu_s
from tests.support.demo_drive import HEALTH, MOTION, SET_POINTS, answer_id

pytestmark = pytest.mark.slow

SHOULDER: Final = answer_id(3)
# Times as fast as cantools in batches of 100 frames, on a busy machine: 3.9 for one joint, 2.9 for
# two at a load of 3, 3.0 and 2.4 at a load of 20. A batch costs a hundred calls of numpy and fifty
# of Python however few frames are in it, a joint more a third of that. Whole traces: 27 and 22.
LEAST_IN_HUNDREDS: Final = {False: 1.8, True: 1.4}
LEAST_WHOLE: Final = 18.0


def _frames(*, both: bool) -> FrameBatch:
    made = FrameBatch.concatenate(
        list(simulated_frames(hours=0.05, rate_Hz=100.0, seed=3, start_ns=START_NS))
    )
    return made if both else made.select_rows(made.identifier == SHOULDER)


def _bench(*, both: bool) -> Bench:
    text = scenario.scenario_bench(channel="x").text
    if not both:
        text = "[[joint]]".join(text.split("[[joint]]")[:2])
    return bench_from_texts(
        text, {"harvest-joint": scenario.scenario_layout_text()}, where="bench.toml"
    )


def _reference(*identifiers: int) -> Database:
    """Return the demo joint's three kinds of answer as cantools describes them."""

    def signal(name: str, start: int, length: int, *, kind: int, signed: bool):
        return Signal(
            name,
            start,
            length,
            byte_order="little_endian",
            is_signed=signed,
            conversion=BaseConversion.factory(scale=0.01, offset=0),
            multiplexer_ids=[kind],
            multiplexer_signal="kind",
        )

    signals = [
        Signal("kind", 13, 3, byte_order="little_endian", is_multiplexer=True),
        signal("current", 0, 13, kind=MOTION, signed=True),
        signal("speed", 16, 16, kind=MOTION, signed=True),
        signal("position", 32, 15, kind=MOTION, signed=False),
        signal("torque set-point", 0, 13, kind=SET_POINTS, signed=True),
        signal("position set-point", 16, 24, kind=SET_POINTS, signed=True),
        signal("voltage", 0, 13, kind=HEALTH, signed=False),
        signal("drive", 16, 8, kind=HEALTH, signed=False),
        signal("fault", 24, 8, kind=HEALTH, signed=False),
        signal("housing", 32, 8, kind=HEALTH, signed=False),
    ]
    return cantools.database.can.Database(
        [Message(number, f"joint {number:X}", 6, signals, strict=False) for number in identifiers]
    )


@pytest.mark.parametrize("both", [False, True], ids=["one joint", "two joints"])
def test_decode_against_cantools(both: bool):  # noqa: FBT001 - a parameter of the test
    """The three kinds of frame of the demo joint, a batch at a time and whole."""
    frames = _frames(both=both)
    plan = decode_plan(_bench(both=both))
    database = _reference(*sorted(set(frames.identifier.tolist())))
    rows = [
        (number, bytes(payload[:length]))
        for number, payload, length in zip(
            frames.identifier.tolist(), frames.data, frames.length.tolist(), strict=True
        )
    ]
    chunks = [frames.select_rows(slice(first, first + 100)) for first in range(0, len(frames), 100)]

    def peer() -> None:
        for number, payload in rows:
            database.decode_message(number, payload, allow_truncated=True)

    def in_hundreds() -> None:
        state = DecodeState()
        for chunk in chunks:
            _, state = decode(plan, state, chunk)

    by_peer = measure_cpu_s(peer)
    joints = "two joints" if both else "one joint"
    guard_at_least(
        f"decode, {joints}, 100 frames a batch: cantools / ours",
        by_peer / measure_cpu_s(in_hundreds),
        LEAST_IN_HUNDREDS[both],
        "x as fast",
    )
    whole = measure_cpu_s(lambda: decode(plan, DecodeState(), frames))
    guard_at_least(
        f"decode, {joints}, whole: cantools / ours", by_peer / whole, LEAST_WHOLE, "x as fast"
    )
