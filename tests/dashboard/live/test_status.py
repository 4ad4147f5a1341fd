"""What Live shows besides its figure: remarks about what was lost, not read, not judged."""

import math
from datetime import UTC
from pathlib import Path

import pytest

from dashboard.live.snapshot import LatestValues
from dashboard.live.status import live_status
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.limits.lifecycle import Alert
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000


@pytest.mark.parametrize(
    ("counts", "remark"),
    [((), None), ((300.0, 1_760_000.0), "1 760 300 lines or frames could not be read")],
)
def test_what_could_not_be_read(tmp_path: Path, counts: tuple[float, ...], remark: str | None):
    """The counts of all its events, beside the frames that were lost; nothing of none."""
    bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec", new_manifest(bench, name="t", started_ns=START_NS), bench, now_s=0.0
    )
    writer.append_frames(FrameBatch.from_rows([(START_NS, 0x281, 0, b"")]))
    writer.append_events(
        [
            Event(sequence=row, time_ns=START_NS, kind=EventKind.GARBLED, value=count, bus=0)
            for row, count in enumerate(counts)
        ]
    )
    writer.close(ended_ns=START_NS + 1, cause="test")
    status = live_status(
        Recording.open(tmp_path / "rec"), latest={}, slow={}, now_ns=START_NS, zone=UTC
    )
    remarks = [text.replace("\u202f", " ").replace("\u2009", " ") for text in status["remarks"]]
    assert "no frame lost" in remarks
    assert [text for text in remarks if "could not be read" in text] == ([remark] if remark else [])


class WithEvents:
    """A recording with further events."""

    def __init__(self, whole: Recording, *events: Event) -> None:
        self._whole = whole
        self._events = events

    def __getattr__(self, name: str) -> object:
        return getattr(self._whole, name)

    def read_events(self) -> tuple[Event, ...]:
        """Return all events in order."""
        return (*self._whole.read_events(), *self._events)


def remarks(recording: object) -> list[str]:
    """Return what stands under the figure at the end."""
    assert isinstance(recording, WithEvents)
    status = live_status(
        recording,  # type: ignore[arg-type]
        latest={},
        slow={},
        now_ns=recording.end_ns,  # type: ignore[arg-type]
        zone=UTC,
    )
    return status["remarks"]


def judging(overheat: Recording, at_s: float, kind: str, duration_s: float) -> Event:
    """Return an event about the rise of the shoulder's housing."""
    name = next(limit.name for limit in overheat.limits.limits if limit.kind_name() == "rate")
    at_ns = overheat.start_ns + round(at_s * S)
    return Event(
        sequence=10_000 + round(at_s),
        time_ns=at_ns,
        kind=kind,
        joint="shoulder",
        limit=name,
        duration_s=duration_s,
    )


def test_a_limit_that_is_not_judged_is_told_until_it_is(overheat: Recording):
    """With the time since when; what was judged again says nothing more."""
    lost = judging(overheat, 100.0, "limit not judged", 40.0)
    (first, *_) = remarks(WithEvents(overheat, lost))
    assert first.startswith("shoulder housing rising by ")
    assert " is not judged since " in first
    again = judging(overheat, 200.0, "limit judged again", 140.0)
    found = remarks(WithEvents(overheat, lost, again))
    assert not any("not judged" in remark for remark in found)


@pytest.mark.parametrize(
    ("values", "remark"),
    [
        ((), "no frame lost"),
        ((0.0,), "no frame lost"),
        ((math.nan,), "an unknown number of frames lost while the recorder stood still once"),
        (
            (math.nan, 0.0, math.nan),
            "an unknown number of frames lost while the recorder stood still 2 times",
        ),
    ],
)
def test_a_standstill_may_have_cost_frames(
    overheat: Recording, values: tuple[float, ...], remark: str
):
    """Nobody knows how many, unless the event says that none is untold."""
    events = [
        Event(
            sequence=10_000 + row,
            time_ns=overheat.start_ns + S,
            kind=EventKind.STANDSTILL,
            bus=0,
            duration_s=0.7,
            value=value,
        )
        for row, value in enumerate(values)
    ]
    assert remark in remarks(WithEvents(overheat, *events))


def _joint_status(recording: Recording, **values: tuple[int, float]) -> dict:
    """Return the row of a joint with these newest values, a second before now."""
    newest_ns = max((at_ns for at_ns, _ in values.values()), default=recording.end_ns)
    status = live_status(
        Running(recording),  # type: ignore[arg-type]
        latest={"shoulder": LatestValues(time_ns=recording.end_ns, values=values)},
        slow={},
        now_ns=max(newest_ns, recording.end_ns),
        zone=UTC,
    )
    return dict(next(joint for joint in status["joints"] if joint["name"] == "shoulder"))


class Running:
    """A recording that is still written, without an alert."""

    live = True

    def __init__(self, whole: Recording) -> None:
        self._whole = whole

    def __getattr__(self, name: str) -> object:
        return getattr(self._whole, name)

    def read_alerts(self) -> tuple[Alert, ...]:
        """Return nothing: no alert."""
        return ()


def test_a_joint_is_normal_only_while_its_temperature_is_reported(overheat: Recording):
    """Not where none comes, nor where it has come no longer while other values do."""
    end_ns = overheat.end_ns
    torque = {"torque_Nm": (end_ns, 3.0)}
    known = _joint_status(overheat, temperature_housing_degC=(end_ns - S // 2, 50.0), **torque)
    assert (known["mark"], known["state"]) == ("normal", "Normal")
    old = _joint_status(overheat, temperature_housing_degC=(end_ns - 40 * S, 50.0), **torque)
    assert (old["mark"], old["state"]) == ("none", "Heat not known")
    assert old["place"] == "housing, 40 s ago"
    assert old["limit_time"]["value"] == "unknown"
    never = _joint_status(overheat, **torque)
    assert (never["mark"], never["state"]) == ("none", "Heat not known")
    assert never["place"] == "housing, nothing received yet"
