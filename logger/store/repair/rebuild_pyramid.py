"""Computes parts of the pyramid that are missing or damaged again, from their rows.

The result equals what was lost: a part follows from its rows and from the carry of the part before
it. Where the rows are lost too nothing can be computed, and readers read the rows after the hole
themselves.
"""

from functools import partial
from pathlib import Path

from logger.joint.bench.bench import Bench
from logger.store.layout.files import overview_stream, status_stream
from logger.store.layout.row_check import footer_fault
from logger.store.layout.schema import readings_from_table, status_schema
from logger.store.parts.part import Part, list_parts
from logger.store.pyramid.seconds import PyramidCarry, carry_from, overview_fault
from logger.store.pyramid.tenths import TENTH_NS, add_rows_at_both_widths
from logger.store.pyramid.upper import UPPER_WIDTHS_NS, consolidate_levels, upper_level_folder
from logger.store.writing.sealer import Sealer, write_base_levels

__all__ = ["rebuild_overviews"]


def rebuild_overviews(recording: Path, bench: Bench, *, ended_ns: int | None) -> bool:
    """Write the parts of all levels that are missing or damaged.

    `ended_ns`: the end of the recording, None while it has none.

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
    fits_stream = partial(footer_fault, schema=status_schema(bench))
    for joint in bench.joints:
        hold_ns = bench.hold_times_ns_of(joint)
        folder = recording / overview_stream(joint.name)
        fine_folder = upper_level_folder(recording, joint.name, TENTH_NS)
        rows = list_parts(recording / status_stream(joint.name), fits_stream)
        whole_parts = {(part.first_row, part.end_row): part for part in _undamaged_parts(folder)}
        carries = {
            end: carry_from(part.metadata)
            for (first, end), part in whole_parts.items()
            if first < end
        }
        fine = {(part.first_row, part.end_row) for part in _undamaged_parts(fine_folder)}
        for part in rows:
            row_range = (part.first_row, part.end_row)
            lacks_tenths = (
                row_range in whole_parts
                and row_range not in fine
                and carry_from(whole_parts[row_range].metadata).has_tenths
            )
            if (row_range in whole_parts and not lacks_tenths) or part.verify_part():
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
                recording, joint.name, new_buckets, first_row=part.first_row, end_row=part.end_row
            )
            has_rebuilt = True
        end = rows[-1].end_row if rows else 0
        if (
            ended_ns is None
            or end not in carries
            or (end, end) in whole_parts
            or rows[-1].verify_part()
        ):
            continue
        unclosed = True
        # A damaged closing part would be taken for the carry at the end.
        for part in list_parts(folder):
            if (part.first_row, part.end_row) == (end, end):
                part.path.unlink()
    if unclosed:
        closing = Sealer(recording, bench)
        closing.resume_carry()
        closing.seal_rows({}, until_ns=ended_ns)
        has_rebuilt = True
    for joint in bench.joints:
        has_rebuilt |= _rebuild_upper_levels(recording, joint.name)
    return has_rebuilt


def _rebuild_upper_levels(recording: Path, joint: str) -> bool:
    """Write the upper levels again from the first missing part on; return whether any changed."""
    damaged = False
    paths_before: set[Path] = set()
    for width_ns in UPPER_WIDTHS_NS:
        parts = list_parts(upper_level_folder(recording, joint, width_ns), overview_fault)
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
    consolidate_levels(recording, joint)
    paths_after = {
        part.path
        for width_ns in UPPER_WIDTHS_NS
        for part in list_parts(upper_level_folder(recording, joint, width_ns))
    }
    return damaged or paths_before != paths_after


def _undamaged_parts(folder: Path) -> list[Part]:
    return [part for part in list_parts(folder, overview_fault) if not part.verify_part()]
