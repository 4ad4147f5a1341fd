"""One recording, live or finished, by joint and channel: what every page and command reads.

A live recording is still being written; `refresh` takes in what is new. Everything is read through
`logger.store.reading.reader`, so that pages, commands and computations see the same rows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.heat.fitted import FittedHeat, heat_of_joint
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.counts import CountGrid, count_grids
from logger.joint.time_weighted import Buckets, merge_buckets, to_buckets
from logger.limits.lifecycle import Alert, alerts_from_events
from logger.store.layout.events import Event
from logger.store.layout.files import MANIFEST_FILE, derived_stream, status_stream
from logger.store.layout.manifest import MAX_SPAN_NS, iso_utc
from logger.store.layout.remote import Location
from logger.store.layout.schema import frames_from_table
from logger.store.pyramid.seconds import BASE_NS, final_until, gap_limit_ns
from logger.store.pyramid.upper import UPPER_WIDTHS_NS, DamagedLeafError, at_width
from logger.store.reading.findings import StoredFindings, read_findings
from logger.store.reading.reader import RecordingReader
from replay.code_courses import CodeCourse, CodeCourses, CodeSource
from replay.recent import RecentRows

__all__ = ["PARTS_A_LOOK", "Health", "Recording"]

PARTS_A_LOOK: Final = 256
"""Parts that a page opens at most to say what is missing (`describe_missing`): a quarter of a
second, and all parts of a day within a few looks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Statistics of the recorder in one second."""

    time_ns: int
    frames_per_s: float
    bus_load: float
    """Share of the bus's time; NaN where the bit rate is not known."""
    dropped: int
    undecoded: int
    disk_left_h: float
    """Hours until the disk is full at the present rate; NaN while not known."""


class Recording(RecordingReader):
    """A recording that is open for reading, by joint and channel. Safe for several threads."""

    def __init__(self, path: Location) -> None:
        """Open a recording in its folder, or a finished one at an address.

        Raises
        ------
        InputError
            It is no recording, or one that this version cannot read.
        OutsideFault
            The store at an address cannot be reached.
        """
        super().__init__(path)
        self._hold_ns = {
            joint.name: self.bench.hold_times_ns_of(joint) for joint in self.bench.joints
        }
        self._grids = {joint.name: count_grids(self.bench, joint) for joint in self.bench.joints}
        self._channels = {joint.name: self.bench.channels_of(joint) for joint in self.bench.joints}
        self._recent = RecentRows(self._channels)
        self.code_courses = CodeCourses()
        """The codes that its drives reported, as they were folded (`read_code_courses`)."""
        self._folded: tuple[tuple[Event, ...], tuple[Alert, ...]] = (), ()
        if self.manifest.ended_ns is None and self.end_ns - self.start_ns > MAX_SPAN_NS:
            raise InputError(
                f"{path}: found rows more than five years after its start ({iso_utc(self.start_ns)}"
                f" and {iso_utc(self.end_ns)}): {MANIFEST_FILE} or its rows are damaged."
            )

    @classmethod
    def open(cls, path: Location) -> Self:
        """Open a recording."""
        return cls(path)

    @property
    def name(self) -> str:
        """The name of the recording."""
        return self.manifest.name

    @property
    def joints(self) -> tuple[str, ...]:
        """Names of the joints, in the order of the bench."""
        return tuple(self._channels)

    @property
    def start_ns(self) -> int:
        """The start of the recording."""
        return self.manifest.started_ns

    @property
    def end_ns(self) -> int:
        """The end of the recording; of one that has not ended 1 ns after its newest row."""
        ended = self.manifest.ended_ns
        if ended is not None:
            return ended
        spans = [self.span_ns(status_stream(joint)) for joint in self.joints]
        spans.append(self.span_ns("health"))
        return max([span[1] + 1 for span in spans if span], default=self.start_ns)

    def newest_ns(self, joint: str) -> int | None:
        """Return the time of a joint's newest row, None while it has none."""
        span = self.span_ns(status_stream(joint))
        return span[1] if span else None

    def channels(self, joint: str) -> tuple[str, ...]:
        """Return the channels of a joint, in the order of `logger.joint.channels`."""
        return self._channels[joint]

    def hold_ns(self, joint: str) -> dict[str, int]:
        """Return the hold of each channel of a joint."""
        return self._hold_ns[joint]

    def count_grids(self, joint: str) -> Mapping[str, tuple[CountGrid, ...]]:
        """Return the values that the channels of a joint can have, as far as that is known."""
        return self._grids[joint]

    def heat_model(self, joint: str) -> FittedHeat | None:
        """Return the model of heat that a joint's bench file has, None where it has none."""
        return heat_of_joint(self.bench.joint_named(joint), self.channels(joint))

    def reading_count(self, joint: str) -> int:
        """Return how many rows of a joint can be read."""
        return self.row_count(status_stream(joint))

    def read_frames(self, start_ns: int, end_ns: int) -> FrameBatch:
        """Return all raw frames in [start_ns, end_ns): a full bus has some 8,000 a second."""
        return frames_from_table(self.read_rows("frames", start_ns=start_ns, end_ns=end_ns))

    def newest_frame_ns(self) -> int | None:
        """Return the time of the newest raw frame, None when there is none yet."""
        span = self.span_ns("frames")
        return span[1] if span else None

    def read_alerts(self) -> tuple[Alert, ...]:
        """Return all alerts, in the state of the newest event."""
        events = super().read_events()
        known, alerts = self._folded
        if events is not known:
            # The reader keeps the same event objects, so that this comparison costs little.
            if events[: len(known)] == known:
                alerts = alerts_from_events(events[len(known) :], so_far=alerts)
            else:
                alerts = alerts_from_events(events)
            self._folded = events, alerts
        return alerts

    def read_findings(self) -> StoredFindings:
        """Return what evaluations found out about its joints, as far as it was kept."""
        return read_findings(self.path)

    def read_code_courses(self) -> Mapping[CodeSource, CodeCourse]:
        """Return the codes over time of each source that an event tells of."""
        events = super().read_events()
        with self._lock:
            return self.code_courses.fold_events(events)

    def rms_torque_Nm(self, joint: str) -> float:  # noqa: N802 - the unit's own spelling
        """Return the newest RMS torque of a joint over a minute, NaN while there is none."""
        row = self.newest_row(derived_stream(joint))
        return float("nan") if row is None else _float_or_nan(row["torque_rms_60s_Nm"])

    def latest_health(self) -> Health | None:
        """Return the newest statistics of the recorder, None before the first."""
        row = self.newest_row("health")
        if row is None:
            return None
        return Health(
            time_ns=int(str(row["time"])),
            frames_per_s=_float_or_nan(row["frames_per_s"]),
            bus_load=_float_or_nan(row["bus_load"]),
            dropped=int(_float_or_nan(row["dropped"])),
            undecoded=int(_float_or_nan(row["undecoded"])),
            disk_left_h=_float_or_nan(row["disk_left_h"]),
        )

    def read_readings(
        self,
        joint: str,
        start_ns: int,
        end_ns: int,
        *,
        channels: Sequence[str] | None = None,
        lead_in: bool = False,
    ) -> ReadingBatch:
        """Return a joint's readings in [start_ns, end_ns).

        Parameters
        ----------
        channels
            None: all of the joint.
        lead_in
            Also return those before the span whose hold may reach into it.
        """
        names = self.channels(joint) if channels is None else channels
        if lead_in:
            hold_ns = self.hold_ns(joint)
            start_ns -= max((hold_ns[channel] for channel in names), default=0)
        recent = self._recent.recent_readings(self, joint, start_ns, end_ns, names)
        if recent is not None:
            return recent
        return super().read_readings(joint, start_ns, end_ns, channels=names)

    def final_until_ns(self, joint: str, channel: str) -> int:
        """Return the whole second up to which the buckets of a channel are final."""
        return final_until(self.uncounted(joint), channel, BASE_NS)

    def pyramid_buckets(
        self, joint: str, channel: str, start_ns: int, end_ns: int, *, width_ns: int = BASE_NS
    ) -> tuple[Buckets, int]:
        """Return the whole buckets in [start_ns, end_ns) that the pyramid has counted.

        Both ends must be multiples of `width_ns`, which must be whole seconds.

        Returns
        -------
        buckets, final_until_ns
            From `final_until_ns` on (on the grid, at most `end_ns`) the raw rows have to be read.
        """
        final_ns = self.final_until_ns(joint, channel)
        final_until_ns = min(max(final_ns // width_ns * width_ns, start_ns), end_ns)
        if final_until_ns == start_ns:
            return Buckets.empty(width_ns), start_ns
        try:
            overview = self.read_overview(
                joint,
                channel,
                start_ns=start_ns,
                end_ns=final_until_ns,
                width_ns=width_ns,
                counted_ns=final_ns,
            )
        except DamagedLeafError:
            # Once: from the damaged part on the rows are read.
            self.open_overviews(joint)
            return self.pyramid_buckets(joint, channel, start_ns, end_ns, width_ns=width_ns)
        return overview.buckets_within(start_ns, final_until_ns), final_until_ns

    def read_buckets(
        self, joint: str, channel: str, start_ns: int, end_ns: int, *, width_ns: int = BASE_NS
    ) -> Buckets:
        """Return the buckets in [start_ns, end_ns), from the pyramid and the newest rows.

        Both ends must be multiples of `width_ns`, which must be whole seconds.
        """
        buckets, final_until_ns = self.pyramid_buckets(
            joint, channel, start_ns, end_ns, width_ns=width_ns
        )
        if final_until_ns >= end_ns:
            return buckets
        if width_ns > BASE_NS:
            # The bucket that is only partly final: its seconds, too, come from the pyramid first.
            remainder = self.read_buckets(joint, channel, final_until_ns, end_ns)
            return at_width([buckets, remainder], width_ns)
        time_ns, value = self.read_readings(
            joint, final_until_ns, end_ns + BASE_NS, channels=[channel], lead_in=True
        ).channel_series(channel)
        raw = to_buckets(
            time_ns,
            value,
            hold_ns=self.hold_ns(joint)[channel],
            width_ns=BASE_NS,
            until_ns=self.end_ns,
        ).buckets_within(final_until_ns, end_ns)
        return merge_buckets([buckets, raw]) if len(buckets) else raw

    def pyramid_tenths(
        self, joint: str, channel: str, start_ns: int, end_ns: int
    ) -> tuple[Buckets, int]:
        """Return the tenths of a second in [start_ns, end_ns) that the pyramid has counted.

        For figures: means are rounded and M2 is unknown. Both ends must be whole seconds.

        Returns
        -------
        buckets, final_until_ns
            From `final_until_ns` on (between both ends, on the grid) the raw rows have to be read.
            It is `start_ns` where a joint reports too slowly for tenths to be kept.
        """
        fine_buckets, final_ns = self.read_tenths(joint, channel, start_ns=start_ns, end_ns=end_ns)
        final_until_ns = min(max(final_ns, start_ns), end_ns)
        return fine_buckets.buckets_within(start_ns, final_until_ns), final_until_ns

    def tiling_buckets(
        self, joint: str, channel: str, start_ns: int, end_ns: int
    ) -> tuple[list[Buckets], int]:
        """Return buckets of several widths that tile [start_ns, end_ns), the wide ones inside.

        So the number of buckets grows only with the logarithm of the span. Both ends must be whole
        seconds.

        Returns
        -------
        buckets, final_until_ns
            Without overlaps, in no order. From `final_until_ns` on the raw rows have to be read.
        """
        end_ns = min(end_ns, max(self.final_until_ns(joint, channel), start_ns))
        tiles: list[Buckets] = []
        edges = [(start_ns, end_ns)]
        for width_ns in reversed((BASE_NS, *UPPER_WIDTHS_NS)):
            uncovered: list[tuple[int, int]] = []
            for begin_ns, until_ns in edges:
                inner_ns = -(-begin_ns // width_ns) * width_ns
                outer_ns = until_ns // width_ns * width_ns
                if outer_ns <= inner_ns:
                    uncovered.append((begin_ns, until_ns))
                    continue
                buckets, final_ns = self.pyramid_buckets(
                    joint, channel, inner_ns, outer_ns, width_ns=width_ns
                )
                if final_ns < outer_ns:
                    # A damaged part was met: what the pyramid has counted ends before it.
                    return self.tiling_buckets(joint, channel, start_ns, end_ns)
                tiles.append(buckets)
                uncovered += [(begin_ns, inner_ns), (outer_ns, until_ns)]
            edges = [
                (begin_ns, until_ns) for begin_ns, until_ns in uncovered if until_ns > begin_ns
            ]
        return tiles, end_ns

    def read_notes(self) -> tuple[Event, ...]:
        """Return the notes that people wrote, in order of the times that they tell of."""
        notes = (event for event in self.read_events() if event.kind is EventKind.NOTE)
        return tuple(sorted(notes, key=lambda note: (note.time_ns, note.text)))

    def read_gaps(self, joint: str) -> list[tuple[int, int]]:
        """Return every gap of the joint, in order, as (start_ns, end_ns)."""
        gaps = self.sealed_gaps(joint)
        limit_ns = gap_limit_ns(self.hold_ns(joint))
        carry = self.uncounted(joint)
        times = self.tail_times(joint).cast("int64").to_numpy()
        if carry.last_row_ns is not None and not carry.is_closed:
            times = np.append(np.int64(carry.last_row_ns), times)
        for index in np.flatnonzero(np.diff(times) > limit_ns):
            gaps.append((int(times[index]), int(times[index + 1])))
        span = self.span_ns(status_stream(joint))
        first_ns, newest_ns = span or (self.end_ns, self.end_ns)
        if first_ns - self.start_ns > limit_ns:
            gaps.insert(0, (self.start_ns, first_ns))
        if self.end_ns - newest_ns > limit_ns:
            gaps.append((newest_ns, self.end_ns))
        # A cut brings rows from before its start along, so that gaps may begin before it.
        return [(max(begin, self.start_ns), end) for begin, end in gaps if end > self.start_ns]


def _float_or_nan(value: object) -> float:
    return float("nan") if value is None else float(value)  # type: ignore[arg-type]
