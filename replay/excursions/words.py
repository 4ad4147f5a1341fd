"""Excursions, and what was not judged, as rows of tables: for the terminal and the report. Pure."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from logger.store.layout.manifest import iso_utc
from replay.excursions.excursion import Excursion
from replay.excursions.lead_up_load import describe_loads
from replay.excursions.not_judged import NotJudged

__all__ = ["EXCURSION_HEAD", "NOT_JUDGED_HEAD", "excursion_rows", "not_judged_rows"]

EXCURSION_HEAD: Final = (
    *("start", "joint", "limit", "severity", "for", "peak"),
    "RMS torque before",
)
NOT_JUDGED_HEAD: Final = ("start", "joint", "limit", "for")


def excursion_rows(
    found: Iterable[Excursion], labels: Mapping[str, str]
) -> Iterator[tuple[str, ...]]:
    """Yield a row for each excursion; `labels`: joint -> what people call it."""
    for one in found:
        yield (
            iso_utc(one.start_ns),
            labels.get(one.joint, one.joint),
            one.limit,
            one.severity,
            f"{one.duration_s:.1f} s" + (", ongoing" if one.ongoing else ""),
            one.peak_text,
            describe_loads(one.load_before, one.rated_torque_Nm),
        )


def not_judged_rows(
    found: Iterable[NotJudged], labels: Mapping[str, str]
) -> Iterator[tuple[str, ...]]:
    """Yield a row for each span over which a limit was not judged."""
    for one in found:
        yield (
            iso_utc(one.start_ns),
            labels.get(one.joint, one.joint),
            one.limit,
            f"{(one.end_ns - one.start_ns) / 1e9:.1f} s" + (", ongoing" if one.ongoing else ""),
        )
