"""What the logger would decode with a proposed layout, over the steps. Pure.

The layout is made as it would be if every value was confirmed, and the frames are decoded with it:
what is seen before deciding is what is stored afterwards.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints, to_s
from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.explain.trial import minimal_joint
from logger.layout_tools.decided_layout import layout_text
from logger.layout_tools.proposal_file import ProposalFile, decide

__all__ = ["Curve", "decoded_curves"]

MAX_POINTS: Final = 1500


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A channel over the steps."""

    channel: str
    time_s: Floats
    """From the first frame, shape (n,)."""
    values: Floats
    """Shape (n,), in the unit of the channel, at the output."""


def decoded_curves(file: ProposalFile, frames: FrameBatch) -> tuple[Curve, ...]:
    """Return what each value with a channel would be, in the order of the file.

    Values of a form that a layout cannot have have no curve; nor has any where they do not go
    together into one layout.
    """
    drawn = frozenset(
        number
        for number, value in enumerate(file.values, 1)
        if value.channel and value.form != "sign_magnitude"
    )
    if not drawn:
        return ()
    others = frozenset(range(1, len(file.values) + 1)) - drawn
    try:
        decided = decide(file, confirm=drawn, leave_out=others, by="-", on="-")
        bench = _bench_of(*layout_text(decided, file.name), name=file.name)
    except InputError:
        return ()
    # The bench has one bus, whichever of the recording the steps were done on.
    here = replace(frames, bus=np.zeros_like(frames.bus))
    (readings,) = decode(decode_plan(bench), DecodeState(), here)[0].readings
    first_ns = int(frames.time_ns[0])
    curves = []
    for value in file.values:
        if value.channel not in readings.columns:
            continue
        time_ns, values = readings.channel_series(value.channel)
        curves.append(_thinned(value.channel, time_ns - first_ns, values))
    return tuple(curves)


def _bench_of(layout: str, joint_keys: list[str], *, name: str) -> Bench:
    bus = '[bus]\ninterface = "virtual"\nfd = true\n'
    keys = "".join(f"{key}\n" for key in joint_keys)
    return bench_from_texts(bus + minimal_joint(name) + keys, {name: layout}, where=name)


def _thinned(channel: str, time_ns: Ints, values: Floats) -> Curve:
    """Return a curve of at most `MAX_POINTS`: the first of each stretch, and its extremes."""
    if len(values) > MAX_POINTS:
        edges = np.linspace(0, len(values), MAX_POINTS // 3 + 1).astype(int)[:-1]
        kept = set(edges.tolist())
        for start, end in zip(edges, [*edges[1:], len(values)], strict=True):
            kept |= {
                int(start + values[start:end].argmin()),
                int(start + values[start:end].argmax()),
            }
        rows = np.array(sorted(kept))
        time_ns, values = time_ns[rows], values[rows]
    return Curve(channel=channel, time_s=to_s(time_ns), values=values)
