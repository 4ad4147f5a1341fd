"""Computes parts of the pyramid that are missing or damaged again, from their rows.

The result equals what was lost: a part follows from its rows and from the carry of the part before
it. Where the rows are lost too nothing can be computed, and readers read the rows after the hole
themselves.
"""

from collections.abc import Sequence
from pathlib import Path

from logger.joint.bench.bench import Bench
from logger.store.layout.files import status_stream
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import readings_from_table, status_schema
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.pyramid.seconds import BASE_NS, PyramidCarry, carry_from
from logger.store.pyramid.tenths import TENTH_NS, add_rows_at_both_widths
from logger.store.pyramid.upper import UPPER_WIDTHS_NS, consolidate_levels, level_parts
from logger.store.writing.sealer import Sealer, write_base_levels

__all__ = ["rebuild_overviews"]


def rebuild_overviews(
    recording: Path,
    bench: Bench,
    *,
    ended_ns: int | None,
    recording_id: str,
    newest: int | None = None,
) -> bool:
    """Write the parts of all levels that are missing, damaged or not of their place.

    Parameters
    ----------
    ended_ns
        The end of the recording, None while it has none.
    recording_id
        Of recording.json, which the parts state.
    newest
        Look at so many of the newest parts of each joint's rows only, and not at the upper levels:
        all that a crash can have left undone. Every byte of what is looked at is read, which takes
        minutes of a recording of months. None: at all.

    Returns
    -------
    bool
        Whether any was written.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    has_rebuilt = unclosed = False
    fits_stream = footer_check(status_schema(bench))
    for joint in bench.joints:
        hold_ns = bench.hold_times_ns_of(joint)
        first_level = level_parts(recording, joint.name, BASE_NS, recording_id=recording_id)
        fine_level = level_parts(recording, joint.name, TENTH_NS, recording_id=recording_id)
        stream = status_stream(joint.name)
        rows = list_parts(recording / stream, PartOwner(recording_id, stream, fits_stream))
        if newest is not None:
            rows = rows[-newest:]
            # With the one before them, whose carry they go on from.
            from_row = rows[0].first_row if rows else 0
            first_level = [part for part in first_level if part.end_row >= from_row]
            fine_level = [part for part in fine_level if part.end_row > from_row]
        whole, carries = _whole_parts(first_level)
        fine = {(part.first_row, part.end_row) for part in fine_level if not part.verify_part()}
        for part in rows:
            row_range = (part.first_row, part.end_row)
            lacks_tenths = (
                row_range in whole
                and row_range not in fine
                and carries.get(part.end_row, PyramidCarry()).has_tenths
            )
            if (row_range in whole and not lacks_tenths) or part.verify_part():
                continue
            table = part.read_whole()
            if table is None:
                continue
            new_buckets = add_rows_at_both_widths(
                carries.get(part.first_row, PyramidCarry()),
                readings_from_table(joint.name, table),
                hold_ns=hold_ns,
            )
            carries[part.end_row] = new_buckets.carry
            write_base_levels(
                recording,
                joint.name,
                new_buckets,
                first_row=part.first_row,
                end_row=part.end_row,
                recording_id=recording_id,
            )
            has_rebuilt = True
        end = rows[-1].end_row if rows else 0
        if ended_ns is None or end not in carries or (end, end) in whole or rows[-1].verify_part():
            continue
        unclosed = True
        # A damaged closing part would be taken for the carry at the end.
        for part in level_parts(recording, joint.name, BASE_NS, recording_id=recording_id):
            if (part.first_row, part.end_row) == (end, end):
                part.path.unlink()
    if unclosed:
        closing = Sealer(recording, bench, recording_id=recording_id)
        closing.resume_carry()
        closing.seal_rows({}, until_ns=ended_ns)
        has_rebuilt = True
    for joint in bench.joints if newest is None else ():
        has_rebuilt |= _rebuild_upper_levels(recording, joint.name, recording_id=recording_id)
    return has_rebuilt


def _whole_parts(
    level: Sequence[Part],
) -> tuple[set[tuple[int, int]], dict[int, PyramidCarry]]:
    """Return the rows of the parts of the first level that are whole, and the carry at their ends.

    Every byte of them is read, and each footer once: of months of footers few stay in memory.
    """
    whole: set[tuple[int, int]] = set()
    carries: dict[int, PyramidCarry] = {}
    for part in level:
        if part.verify_part():
            continue
        whole.add((part.first_row, part.end_row))
        if part.first_row < part.end_row:
            carries[part.end_row] = carry_from(part.metadata)
    return whole, carries


def _rebuild_upper_levels(recording: Path, joint: str, *, recording_id: str) -> bool:
    """Write the upper levels again from the first missing part on; return whether any changed."""
    damaged = False
    paths_before: set[Path] = set()
    for width_ns in UPPER_WIDTHS_NS:
        parts = level_parts(recording, joint, width_ns, recording_id=recording_id)
        paths_before |= {part.path for part in parts}
        end_row = 0
        for part_index, part in enumerate(parts):
            is_damaged = bool(part.verify_part())
            damaged |= is_damaged
            if is_damaged or part.first_row != end_row:
                for later in parts[part_index:]:
                    later.path.unlink()
                break
            end_row = part.end_row
    consolidate_levels(recording, joint, recording_id=recording_id)
    paths_after = {
        part.path
        for width_ns in UPPER_WIDTHS_NS
        for part in level_parts(recording, joint, width_ns, recording_id=recording_id)
    }
    return damaged or paths_before != paths_after
