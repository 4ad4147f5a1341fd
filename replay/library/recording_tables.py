"""One recording, live or finished, as pandas tables: what the commands and pages show, to compute.

Every table has times in UTC to the nanosecond and the unit of each column in `attrs["units"]`
(UCUM codes); columns carry it in their names as well. Figures are weighted by time. Of a live
recording each call sees what is written by then.
"""

from collections.abc import Sequence
from os import PathLike, fspath
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from logger.event_kind import EventKind
from logger.joint.channels import channel_named
from logger.store.layout.remote import location_of
from replay.library.checked_names import checked_channels, checked_joint
from replay.library.cycle_frame import cycle_frame
from replay.library.envelope import envelope_table
from replay.library.event_tables import alert_table, bus_table, event_table, excursion_table
from replay.library.figure_table import figure_table
from replay.library.finding_table import finding_table
from replay.library.frames import channel_column, frame, time_index
from replay.library.spans import Instant, Width, span_ns, width_ns
from replay.recording import Recording

__all__ = ["RecordingTables", "open_recording"]


def open_recording(path: str | PathLike[str]) -> "RecordingTables":
    """Open a recording in its folder, live or finished, or a finished one at an address (s3://...).

    Raises
    ------
    InputError
        It is no recording, or one that this version cannot read.
    OutsideFault
        The store at an address cannot be reached.

    Examples
    --------
    >>> recording = dutytrace.open("recordings/demo-overheat")
    >>> recording.name, recording.joints
    ('Fan failure, pick and place', ('shoulder', 'elbow'))
    """
    return RecordingTables(Recording.open(location_of(fspath(path))))


class RecordingTables:
    """An open recording; made by `dutytrace.open`.

    Spans are [start, end): `None` is the start or end of the recording, a number counts seconds
    from its start, a text is a time in ISO 8601 (UTC where it names no zone) or a length such as
    "90s" from its start; `datetime`, `timedelta` and pandas' own are taken as well.
    """

    def __init__(self, recording: Recording) -> None:
        self._recording = recording

    def __repr__(self) -> str:
        state = "live" if self.live else f"{(self.end - self.start).total_seconds():g} s"
        return f"<recording {self.name!r}: {', '.join(self.joints)}; {state}>"

    @property
    def name(self) -> str:
        """What the test is called.

        Examples
        --------
        >>> recording.name
        'Fan failure, pick and place'
        """
        return self._recording.name

    @property
    def path(self) -> Path | None:
        """Its folder; None for one at an address.

        Examples
        --------
        >>> recording.path.name
        'demo-overheat'
        """
        location = self._recording.path
        return location if isinstance(location, Path) else None

    @property
    def live(self) -> bool:
        """Whether it is still being written.

        Examples
        --------
        >>> recording.live
        False
        """
        return self._recording.live

    @property
    def joints(self) -> tuple[str, ...]:
        """Names of its joints, in the order of the bench; `instruments` has the sensors.

        Examples
        --------
        >>> recording.joints
        ('shoulder', 'elbow')
        """
        return tuple(
            joint for joint in self._recording.joints if joint not in self._recording.bench.sensors
        )

    @property
    def instruments(self) -> tuple[str, ...]:
        """Names of the sensors beside the joints; they are read like joints.

        Examples
        --------
        >>> recording.instruments
        ()
        """
        return self._recording.bench.sensors

    @property
    def start(self) -> pd.Timestamp:
        """When it began.

        Examples
        --------
        >>> str(recording.start.tz)
        'UTC'
        """
        return pd.Timestamp(self._recording.start_ns, tz="UTC")

    @property
    def end(self) -> pd.Timestamp:
        """When it ended; of a live one just after its newest row.

        Examples
        --------
        >>> (recording.end - recording.start).total_seconds()
        3420.0
        """
        return pd.Timestamp(self._up_to_date().end_ns, tz="UTC")

    def channels(self, joint: str) -> dict[str, str]:
        """Return the channels of a joint or instrument, each with its unit (UCUM code).

        Examples
        --------
        >>> recording.channels("shoulder")["torque_Nm"]
        'N.m'
        """
        return {
            name: channel_named(name).ucum
            for name in self._recording.channels(self._checked_joint(joint))
        }

    def readings(
        self,
        joint: str,
        start: Instant = None,
        end: Instant = None,
        *,
        channels: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Return the readings of a joint in a span: a row for each status frame.

        A channel that a frame does not carry is NaN in its row; no value is carried over. With
        `position_rad` comes `position_segment`, within which it is continuous. Rows without any of
        the `channels` are left out.

        Raises
        ------
        InputError
            There is no such joint or channel, or the span is empty.

        Examples
        --------
        >>> readings = recording.readings("shoulder", 0, 10, channels=["torque_Nm"])
        >>> readings["torque_Nm"].count()
        np.int64(100)
        >>> readings.attrs["units"]
        {'torque_Nm': 'N.m'}
        """
        names = self._checked_channels(joint, channels)
        begin, until = self._span(start, end)
        batch = self._recording.read_readings(joint, begin, until, channels=names)
        if channels is not None:
            has_value = ~np.all([np.isnan(batch.columns[name]) for name in names], axis=0)
            batch = batch.select_rows(has_value)
        columns: dict[str, Any] = {}
        if "position_rad" in names:
            columns["position_segment"] = batch.position_segment
        columns |= {name: channel_column(name, batch.columns[name]) for name in names}
        units = {name: channel_named(name).ucum for name in names}
        return frame(columns, time_index(batch.time_ns), units, joint=joint)

    def envelope(
        self,
        joint: str,
        channel: str,
        start: Instant = None,
        end: Instant = None,
        *,
        width: Width | None = None,
    ) -> pd.DataFrame:
        """Return a channel in neighbouring buckets of one width, no extreme lost.

        Each row is a bucket, indexed by its start, on an absolute grid: `n` readings in it,
        `held_s` (for how long a value held), `min`, `max`, time-weighted `mean` and `rms`, `first`,
        `last`; NaN where no value held. Widths of whole seconds come from the pyramid, at a cost
        that does not grow with the rows; others from the rows themselves.

        Parameters
        ----------
        width
            Of a bucket: seconds, or a text such as "250ms"; None: about a thousand buckets.

        Raises
        ------
        InputError
            There is no such joint or channel, the span is empty, or there would be more than
            20 million buckets.

        Examples
        --------
        >>> minutes = recording.envelope("shoulder", "temperature_housing_degC", width="60s")
        >>> len(minutes), float(minutes["max"].max())
        (58, 83.0)
        """
        self._checked_channels(joint, [channel])
        bucket_ns = None if width is None else width_ns(width)
        return envelope_table(self._recording, joint, channel, self._span(start, end), bucket_ns)

    def figures(
        self,
        joint: str,
        start: Instant = None,
        end: Instant = None,
        *,
        channels: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Return the exact figures of a span, a row for each channel of a joint.

        `n` readings, `held_s` (for how long a value held), `min`, `max`, `mean` and `rms`, both
        weighted by time, and the `unit` of the last four. The cost does not grow with the span.

        Raises
        ------
        InputError
            There is no such joint or channel, or the span is empty.

        Examples
        --------
        >>> figures = recording.figures("shoulder", "10min", "20min")
        >>> round(float(figures.at["torque_Nm", "rms"]), 1), figures.at["torque_Nm", "unit"]
        (8.7, 'N.m')
        """
        names = self._checked_channels(joint, channels)
        begin, until = self._span(start, end)
        return figure_table(self._recording, joint, names, (begin, until))

    def cycles(self, joint: str | None = None) -> pd.DataFrame:
        """Return the cycles that a joint went through, found by themselves: a row for each.

        Index: the cycle's number. `start`, `end`, `kind` (whole, paused, short, gap), and its
        figures: `cycle_time_s`, `missing_s` (for how long nothing was recorded in it), RMS and peak
        of torque and current, peak temperatures, work; NaN where one is not known. `joint` is
        needed where there are several.

        Raises
        ------
        InputError
            There is no such joint, or nothing in it returns at regular intervals.

        Examples
        --------
        >>> cycles = recording.cycles("shoulder")
        >>> len(cycles), float(cycles["cycle_time_s"].median().round(1))
        (427, 8.0)
        """
        if joint is None and len(self.joints) == 1:
            joint = self.joints[0]
        return cycle_frame(self._up_to_date(), self._checked_joint(joint or ""))

    def excursions(self, limits: str | PathLike[str] | None = None) -> pd.DataFrame:
        """Return every span beyond a limit, in order, with the load before it.

        Parameters
        ----------
        limits
            A limits file in place of those that were in force.

        Returns
        -------
        pandas.DataFrame
            `start` (after the on-delay), `onset` (the first reading beyond), joint, limit,
            severity, channel, `duration_s`, `peak` in the channel's unit, `peak_text`, `ongoing`,
            and the RMS torque over 60, 300 and 900 s before.

        Raises
        ------
        InputError
            The limits file is none, or does not fit the bench.

        Examples
        --------
        >>> excursions = recording.excursions()
        >>> excursions.loc[excursions["severity"] == "trip", ["joint", "limit"]].values.tolist()
        [['shoulder', 'housing-hot']]
        """
        return excursion_table(self._up_to_date(), limits)

    def alerts(self) -> pd.DataFrame:
        """Return every alert and its life so far: onset, raised, returned, acknowledged, by whom.

        Index: the alert's number. `state` is active, acknowledged, latched, returned, cleared or
        shelved, at the end of the recording.

        Examples
        --------
        >>> recording.alerts()[["joint", "limit", "state"]].head(1).values.tolist()
        [['shoulder', 'over-torque', 'returned']]
        """
        return alert_table(self._up_to_date())

    def events(self, kind: str | None = None) -> pd.DataFrame:
        """Return the events in their sequence: alerts, notes, losses, gaps, states, faults.

        `kind`: only events of that kind, such as "note" or "bus lost".

        Raises
        ------
        InputError
            There is no such kind.

        Examples
        --------
        >>> recording.events("ended")["text"].to_list()
        ['Recording ended.']
        """
        return event_table(self._up_to_date(), kind)

    def notes(self) -> pd.DataFrame:
        """Return the notes, by their times: who wrote what.

        Examples
        --------
        >>> recording.notes().columns.to_list()
        ['who', 'text']
        """
        return self.events(str(EventKind.NOTE))[["who", "text"]]

    def buses(self) -> pd.DataFrame:
        """Return the figures of each bus, second by second; empty where it has no bus.

        Index: the end of the second. `bus` (its name; "" where older recorders and logs counted all
        of them together), `frames_per_s`, `load` (a share, NaN where no bit rate is known), and
        counts within the second: `error_frames`, `remote_frames`, `lost`, `garbled`, `unanswered`.

        Examples
        --------
        >>> buses = recording.buses()
        >>> int(buses["frames_per_s"].sum()), int(buses["lost"].sum())
        (88920, 0)
        """
        return bus_table(self._up_to_date())

    def findings(self) -> pd.DataFrame:
        """Return what evaluations found out and somebody kept: a row for each quantity.

        `finding` is its id; `value` is in `unit` (UCUM), `low` and `high` end its 95 % interval;
        `degrees_of_freedom` NaN: unlimited, or the interval was made otherwise.

        Examples
        --------
        >>> recording.findings().columns[:4].to_list()
        ['finding', 'made', 'kind', 'joint']
        """
        return finding_table(self._up_to_date())

    def _up_to_date(self) -> Recording:
        if self._recording.manifest.ended_ns is None:
            self._recording.refresh()
        return self._recording

    def _span(self, start: Instant, end: Instant) -> tuple[int, int]:
        recording = self._up_to_date()
        return span_ns(start, end, recording_ns=(recording.start_ns, recording.end_ns))

    def _checked_joint(self, joint: str) -> str:
        return checked_joint(self._recording, joint)

    def _checked_channels(self, joint: str, channels: Sequence[str] | None) -> tuple[str, ...]:
        return checked_channels(self._recording, joint, channels)
