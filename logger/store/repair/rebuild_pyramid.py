"""Overviews that are missing or damaged, made anew from the rows that they tell of.

What is made is what was lost: a part's overview follows from its rows and from what the overview
before it carries on. Where the rows are lost too there is nothing to tell of, and readers ask the
rows behind.
"""

from pathlib import Path

from logger.joint.bench.bench import Bench
from logger.store.layout.files import overview_stream, status_stream
from logger.store.layout.schema import readings_from
from logger.store.parts.part import Part, list_parts
from logger.store.pyramid.seconds import Carry, carry_from
from logger.store.pyramid.tenths import FINE_NS, grown
from logger.store.pyramid.upper import UPPER_NS, consolidate, level_folder
from logger.store.writing.sealer import Sealer, write_levels

__all__ = ["rebuild_overviews"]


def rebuild_overviews(recording: Path, bench: Bench, *, ended_ns: int | None) -> bool:
    """Make the overviews that are wanting; `ended_ns` is the recording's end, None: not yet.

    Returns
    -------
    bool
        Whether there were any.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    made = unclosed = False
    for joint in bench.joints:
        hold_ns = bench.hold_ns_of(joint)
        folder = recording / overview_stream(joint.name)
        fine_folder = level_folder(recording, joint.name, FINE_NS)
        rows = list_parts(recording / status_stream(joint.name))
        whole = {(part.first_row, part.end_row): part for part in _whole(folder)}
        carries = {
            end: carry_from(part.metadata) for (first, end), part in whole.items() if first < end
        }
        fine = {(part.first_row, part.end_row) for part in _whole(fine_folder)}
        for part in rows:
            told = (part.first_row, part.end_row)
            lost = told in whole and told not in fine and carry_from(whole[told].metadata).fine
            if (told in whole and not lost) or part.verify():
                continue
            table = part.read(start_ns=-(2**62), end_ns=2**62)
            if table is None:
                continue
            one = grown(
                carries.get(part.first_row, Carry()),
                readings_from(joint.name, table),
                hold_ns=hold_ns,
            )
            carries[part.end_row] = one.carry
            write_levels(recording, joint.name, one, first_row=part.first_row, end_row=part.end_row)
            made = True
        end = rows[-1].end_row if rows else 0
        if ended_ns is None or end not in carries or (end, end) in whole or rows[-1].verify():
            continue
        unclosed = True
        # A damaged one would be taken for what the end carries on.
        for part in list_parts(folder):
            if (part.first_row, part.end_row) == (end, end):
                part.path.unlink()
    if unclosed:
        closing = Sealer(recording, bench)
        closing.resume()
        closing.seal({}, until_ns=ended_ns)
        made = True
    for joint in bench.joints:
        made |= _upper_levels(recording, joint.name)
    return made


def _upper_levels(recording: Path, joint: str) -> bool:
    """Make the upper levels anew from the first part on that is wanting; return whether any was."""
    damaged = False
    before: set[Path] = set()
    for width_ns in UPPER_NS:
        parts = list_parts(level_folder(recording, joint, width_ns))
        before |= {part.path for part in parts}
        end_row = 0
        for place, part in enumerate(parts):
            hurt = bool(part.verify())
            damaged |= hurt
            if hurt or part.first_row != end_row:
                for later in parts[place:]:
                    later.path.unlink()
                break
            end_row = part.end_row
    consolidate(recording, joint)
    after = {
        part.path
        for width_ns in UPPER_NS
        for part in list_parts(level_folder(recording, joint, width_ns))
    }
    return damaged or before != after


def _whole(folder: Path) -> list[Part]:
    return [part for part in list_parts(folder) if not part.verify()]
