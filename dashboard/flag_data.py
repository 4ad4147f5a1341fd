"""The flags of a figure, read from a recording: blocks for a window, bins for a live page.

A block is as tall as the share of its bucket in which the flag was on: however often it chatters,
it is one path. Beside `plot_data`, which reads traces.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from dashboard.figures.axes import Pen, PlotRow
from dashboard.figures.lines import FlagBlocks
from dashboard.figures.row_plan import FlagName
from logger.arrays import Floats, Ints
from logger.joint.channels import channel_named
from replay.alignment import Overlay
from replay.flags import FLAG_QUANTITIES, Flag, FlagBins, flag_bins, held_spans, read_flags
from replay.recording import Recording

__all__ = [
    "count_flags",
    "flag_names",
    "flag_offers",
    "other_flag_pens",
    "read_flag_bins",
    "read_flag_blocks",
]


def flag_names(recording: Recording) -> dict[str, tuple[FlagName, ...]]:
    """Return the flags of each joint that were ever on."""
    return {
        joint: tuple(
            FlagName(quantity=flag.quantity, channel=flag.channel, name=flag.name)
            for flag in read_flags(recording, joint)
        )
        for joint in recording.joints
    }


def flag_offers(recording: Recording, plan: Iterable[PlotRow]) -> dict[str, bool]:
    """Return the quantities whose flags can be drawn -> whether they are."""
    drawn = {row.quantity for row in plan if row.is_flags}
    reported = {
        channel_named(channel).quantity
        for joint in recording.joints
        for channel in recording.channels(joint)
    } | drawn
    return {quantity: quantity in drawn for quantity in FLAG_QUANTITIES if quantity in reported}


def other_flag_pens(row: PlotRow, overlay: Overlay) -> tuple[Pen, ...]:
    """Return the pens of a second recording's flags in a row, of the joints that lie over it."""
    label_of = overlay.recording.bench.label_of
    return tuple(
        replace(
            pen,
            joint=joint,
            label=label_of(joint),
            channel=flag.channel,
            flag=flag.name,
            other=True,
        )
        for pen in {pen.joint: pen for pen in row.pens}.values()
        if (joint := overlay.joint_over(pen.joint)) is not None
        for flag in read_flags(overlay.recording, joint)
        if flag.quantity == row.quantity
    )


def count_flags(
    recording: Recording, pens: Sequence[Pen], edges_ns: Ints
) -> list[tuple[Flag, FlagBins]]:
    """Return the flag of each pen, and its figures between neighbouring edges."""
    joints = dict.fromkeys(pen.joint for pen in pens)
    held = {joint: held_spans(recording, joint) for joint in joints}
    flags = {
        (joint, flag.channel, flag.name): flag
        for joint in joints
        for flag in read_flags(recording, joint)
    }
    found = [(pen.joint, flags[pen.joint, pen.channel, pen.flag]) for pen in pens]
    return [(flag, flag_bins(flag, held[joint], edges_ns)) for joint, flag in found]


def read_flag_blocks(
    recording: Recording, pens: Sequence[Pen], edges_ns: Ints, *, zero_ns: int
) -> tuple[FlagBlocks, ...]:
    """Return the flags of some pens in the buckets between edges.

    `zero_ns`: the instant from which x is counted.
    """
    return tuple(
        FlagBlocks(
            pen=pen,
            edges=(edges_ns - zero_ns) / 1e9,
            share=_shares(bins),
            onsets=bins.onsets.astype(float),
            count=bins.count if flag.is_counted else 0,
            whole_share=bins.share if flag.lasts else float("nan"),
            lasts=flag.lasts,
            is_least=flag.is_least,
        )
        for pen, (flag, bins) in zip(pens, count_flags(recording, pens, edges_ns), strict=True)
    )


def read_flag_bins(recording: Recording, pens: Sequence[Pen], edges_ns: Ints) -> Floats:
    """Return n bins of each flag, shape (n, pens, 3).

    How often it came on, the share of the bin in which its joint reported, and the share in which
    it was on, NaN of messages; all NaN where nothing was reported.
    """
    width_ns = np.diff(edges_ns)
    columns = []
    for flag, bins in count_flags(recording, pens, edges_ns):
        column = np.stack([bins.onsets, bins.held_ns / width_ns, bins.on_ns / width_ns], axis=-1)
        column[bins.held_ns == 0] = np.nan
        if not flag.lasts:
            column[:, 2] = np.nan
        columns.append(column)
    return np.stack(columns, axis=1) if columns else np.empty((len(width_ns), 0, 3))


def _shares(bins: FlagBins) -> Floats:
    shares = np.full(len(bins.held_ns), np.nan)
    np.divide(bins.on_ns, bins.held_ns, out=shares, where=bins.held_ns > 0)
    return shares
