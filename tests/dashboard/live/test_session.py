"""What one open page is told: closed bins on a fixed grid, all of them, and never too much."""

import asyncio
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboard.figures.sheet import make_sheet
from dashboard.live.follower import FAILURES_UNTIL_REPORT, Follower, latest_values
from dashboard.live.json_patch import apply_edits
from dashboard.live.session import LiveSession
from dashboard.live.snapshot import Snapshot
from dashboard.live.wire_format import Update, unpack_update
from dashboard.plot_data import plan_recording_rows
from dashboard.row_data import cycle_reach
from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError
from logger.limits.lifecycle import alerts_from_events
from logger.store.layout.events import Event
from replay.recording import Recording

S = 1_000_000_000


class Growing:
    """A finished recording seen as if it still grew: its end can be set."""

    def __init__(self, whole: Recording) -> None:
        self._whole = whole
        self.live = True
        self.end_ns = whole.start_ns

    def __getattr__(self, name: str) -> object:
        return getattr(self._whole, name)


class Reader:
    """A page's end of the talk: keeps the bins that it is sent, as the browser does."""

    def __init__(self, window_s: float, *, width: int = 900) -> None:
        self.session = LiveSession()
        self.session.on_message(
            {"kind": "look", "window_s": window_s, "width": width, "height": 440, "form": "normal"}
        )
        self.bins: dict[int, np.ndarray] = {}
        self.updates: list[Update] = []
        self.words: list[dict] = []
        self.lane: list[dict] = []
        self.shapes: list[dict] = []
        self.bytes: list[int] = []

    def take(self, moment: Snapshot, *, acknowledge: bool = True) -> int:
        """Take what is sent at a moment; returns how many messages came."""
        messages = self.session.next_messages(moment)
        for message in messages:
            if isinstance(message, str):
                self._hear(json.loads(message))
                continue
            update = unpack_update(message)
            self.updates.append(update)
            self.bytes.append(len(message))
            if update.whole:
                self.bins = {}
            for index, values in enumerate(update.bins):
                at = round((update.start_s + index * update.width_s) / update.width_s)
                assert at not in self.bins, "a bin came twice"
                self.bins[at] = values
            if acknowledge:
                self.session.on_message({"ack": update.serial})
        return len(messages)

    def _hear(self, words: dict) -> None:
        self.words.append(words)
        if words["kind"] == "sheet":
            self.shapes = words["figure"]["layout"]["shapes"]
            self.lane = words["figure"]["layout"]["meta"]["lane"]
        elif words["kind"] == "marks":
            self.shapes = apply_edits(self.shapes, words["shapes"])
            self.lane = apply_edits(self.lane, words["lane"])


@pytest.fixture
def growing(overheat: Recording) -> Growing:
    """Give the overheat as it grew."""
    return Growing(overheat)


def _moment(growing: Growing, serial: int, at_s: float, *, present_s: float = 0.0) -> Snapshot:
    growing.end_ns = growing.start_ns + round(at_s * S)
    now_ns = growing.start_ns + round(max(at_s, present_s) * S)
    latest = {
        joint: latest_values(growing, joint, None, growing.end_ns)  # type: ignore[arg-type]
        for joint in growing.joints
    }
    return Snapshot(
        serial=serial,
        recording=growing,  # type: ignore[arg-type]
        now_ns=now_ns,
        present_ns=now_ns,
        latest=latest,
        slow={},
    )


def test_bins_stand_on_one_grid_and_none_is_missing(growing: Growing):
    """Update by update, with some skipped: the bins of a page that was there all the time."""
    steady, slow = Reader(60.0), Reader(60.0)
    for serial in range(1, 120):
        moment = _moment(growing, serial, 300.0 + serial * 0.09)
        steady.take(moment)
        slow.take(moment, acknowledge=serial % 7 == 0)
        if serial % 7 == 6:
            slow.session.on_message({"ack": slow.updates[-1].serial})
    moment = _moment(growing, 200, 311.0)
    for reader in (steady, slow):
        reader.session.on_message({"ack": reader.updates[-1].serial})
        reader.take(moment)
        places = sorted(reader.bins)
        assert places == list(range(places[0], places[-1] + 1))
        assert len([update for update in reader.updates if update.whole]) == 1
    fresh = Reader(60.0)
    fresh.take(moment)
    assert fresh.updates[0].whole
    for place, values in fresh.bins.items():
        np.testing.assert_allclose(steady.bins[place], values, rtol=1e-6, equal_nan=True)
        np.testing.assert_allclose(slow.bins[place], values, rtol=1e-6, equal_nan=True)
    assert max(steady.bytes[1:]) < 1000


def test_a_page_that_is_behind_is_sent_nothing(growing: Growing):
    """Two updates unacknowledged: no third, and then all that was skipped at once."""
    reader = Reader(10.0)
    sent = [
        reader.take(_moment(growing, serial, 100.0 + serial * 0.1), acknowledge=False)
        for serial in range(1, 6)
    ]
    assert sent[2:] == [0, 0, 0]
    reader.session.on_message({"ack": reader.updates[-1].serial})
    assert reader.take(_moment(growing, 9, 101.0)) > 0
    places = sorted(reader.bins)
    assert places == list(range(places[0], places[-1] + 1))


def test_a_page_that_was_away_is_sent_its_window_and_no_more(growing: Growing):
    """After a quarter of an hour in the background a page of ten seconds gets ten seconds."""
    reader = Reader(10.0)
    reader.take(_moment(growing, 1, 60.0))
    reader.take(_moment(growing, 2, 960.0))
    assert reader.updates[-1].whole
    assert len(reader.updates[-1].bins) * reader.updates[-1].width_s < 16.0


def test_a_stopped_logger_costs_nothing(growing: Growing):
    """Long after the last row there is nothing to send again, and nothing breaks."""
    reader = Reader(10.0)
    reader.take(_moment(growing, 1, 60.0))
    growing.live = False
    for serial, later in enumerate(range(61, 200, 6), start=2):
        reader.take(_moment(growing, serial, 60.0, present_s=float(later)))
    assert sum(update.whole for update in reader.updates) <= 2
    assert len(reader.updates[-1].bins) == 0


def test_a_silent_joint_is_a_gap_that_goes_on(growing: Growing):
    """Silence that still lasts has no end yet: the page moves it on with its now."""
    reader = Reader(60.0)
    reader.take(_moment(growing, 1, 300.0))
    moment = _moment(growing, 2, 305.0)
    elbow = latest_values(growing, "elbow", None, growing.start_ns + 300 * S)  # type: ignore[arg-type]
    growing.read_gaps = lambda joint: (  # type: ignore[method-assign]
        [(growing.start_ns + 300 * S, growing.end_ns)] if joint == "elbow" else []
    )
    moment.latest["elbow"] = elbow
    reader.take(moment)
    gaps = [item for item in reader.lane if item["kind"] == "gap"]
    assert [(gap["x0"], gap["x1"]) for gap in gaps] == [(300.0, None)]
    assert gaps[0]["text"].startswith("no frames from elbow for")


def test_a_window_has_one_form(growing: Growing):
    """All rows are lines, or all are bands; buckets are at most two pixels wide."""
    forms = []
    for window_s in (10.0, 60.0, 300.0, 900.0, 0.0):
        reader = Reader(window_s)
        reader.take(_moment(growing, 1, 1500.0))
        data = reader.words[0]["figure"]["data"]
        roles = {trace["meta"]["role"] for trace in data}
        assert roles in ({"line", "setpoint"}, {"fill", "mean"})
        forms.append("fill" in roles)
        plot_px = make_sheet("normal", 900, 440).plot_width
        assert reader.updates[0].width_s * plot_px / (window_s or 1500.0) <= 2.0
    assert not forms[0]
    assert forms == sorted(forms)


def test_calm_readings_make_no_bands(growing: Growing):
    """A temperature that flickers by one count has no cycles, however wide the window."""
    (temperature, *_) = plan_recording_rows(growing._whole)
    low = np.tile([61.0, 61.0], 200)
    assert cycle_reach(temperature, low, low + 1.0, 0.1) is None


def test_the_window_of_a_young_test_grows(growing: Growing):
    """Five minutes begin at the start until they are full, in bins for what is there."""
    reader = Reader(300.0)
    plot_px = make_sheet("normal", 900, 440).plot_width
    for serial, at_s in enumerate((3.0, 30.0, 90.0, 200.0, 301.0, 400.0, 401.0), start=1):
        reader.take(_moment(growing, serial, at_s))
        update = reader.updates[-1]
        assert update.start_s >= 0.0
        assert update.width_s <= 2.0 * min(max(at_s, 10.0), 300.0) / plot_px
    begins = [
        words["figure"]["layout"]["xaxis"]["range"][0]
        for words in reader.words
        if words["kind"] == "sheet"
    ]
    assert begins[0] == 0.0
    # Sent whole while it grows, never again once it is full.
    assert [update.whole for update in reader.updates][-1] is False


def test_who_comes_back_is_told_nothing_old(overheat: Recording):
    """The follower rests while nobody watches; its last moment is not handed to the next page."""

    async def story() -> list[int]:
        follower = Follower(RecordingCache(overheat.path.parent))
        seen = []
        for _ in range(2):
            with follower.follow():
                seen.append(follower.snapshot.serial)
                while follower.snapshot.serial == 0:
                    await asyncio.sleep(0.01)
                seen.append(follower.snapshot.serial)
            await asyncio.sleep(0.3)
        return seen

    # On a thread of its own: a browser test may have a loop running on this one.
    with ThreadPoolExecutor(1) as thread:
        seen = thread.submit(lambda: asyncio.run(story())).result(30)
    assert seen[0] == seen[2] == 0
    assert seen[3] > seen[1] > 0


def test_a_note_that_stands_after_the_newest_value_is_sent(growing: Growing):
    """It is stamped with the writer's present, which the values reach a moment later."""
    reader = Reader(10.0)
    reader.take(_moment(growing, 1, 20.0))
    note = Event(sequence=99, time_ns=growing.start_ns + round(20.15 * S), kind="note", text="off")
    growing.read_events = lambda: (note,)  # type: ignore[attr-defined]
    reader.take(_moment(growing, 2, 20.1))
    notes = [(word["kind"], word["text"]) for word in reader.lane if word["kind"] == "note"]
    assert notes == [("note", "off")]


def test_what_happens_travels_as_little(overheat: Recording):
    """Alert by alert the sheet becomes what a page is sent that opens then, for few bytes."""
    growing = Growing(overheat)
    told = overheat.read_events()
    raised = [event for event in told if event.kind in {"raised", "returned"}]
    assert len(raised) > 2

    def until(at_s: float) -> None:
        known = tuple(e for e in told if e.time_ns <= growing.start_ns + round(at_s * S))
        growing.read_events = lambda: known  # type: ignore[attr-defined]
        growing.alerts = lambda: alerts_from_events(known)  # type: ignore[attr-defined]

    first_s = (raised[0].time_ns - growing.start_ns) / 1e9
    reader = Reader(60.0)
    until(first_s - 1)
    reader.take(_moment(growing, 1, first_s - 1))
    for serial, event in enumerate(raised[:4], start=2):
        at_s = (event.time_ns - growing.start_ns) / 1e9 + 0.1
        until(at_s)
        reader.words.clear()
        reader.take(_moment(growing, serial, at_s))
        fresh = Reader(60.0)
        fresh.take(_moment(growing, serial, at_s))
        assert reader.lane == fresh.lane
        assert reader.shapes == fresh.shapes
        marks = [words for words in reader.words if words["kind"] == "marks"]
        assert all(len(json.dumps(words)) < 1000 for words in marks)


def test_a_page_is_told_why_nothing_can_be_read(overheat: Recording):
    """In place of being sent nothing, by which it would take the server for gone; told once."""
    session = LiveSession()
    session.on_message({"kind": "look", "window_s": 60.0})
    at = _snapshot(overheat, serial=1)
    assert len(session.next_messages(at)) > 1
    session.on_message({"ack": 10})
    (told,) = session.next_messages(replace(at, serial=2, fault="recordings: Permission denied."))
    assert json.loads(told)["fault"] == "recordings: Permission denied."
    session.on_message({"ack": 10})
    assert (
        session.next_messages(replace(at, serial=3, fault="recordings: Permission denied.")) == []
    )
    # As soon as it can be read again the page gets its window whole.
    assert len(session.next_messages(replace(at, serial=4))) > 1


def test_a_recording_that_fails_while_it_is_read_is_told(
    overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """The page is told, and its websocket goes on."""
    session = LiveSession()
    session.on_message({"kind": "look", "window_s": 60.0})

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "part.parquet")

    monkeypatch.setattr("dashboard.live.view_stream.LiveView.advance", refuse)
    (told,) = session.next_messages(_snapshot(overheat, serial=1))
    assert "Permission denied" in json.loads(told)["fault"]


def test_a_folder_that_may_not_be_read_reaches_the_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """After a few tries, in the snapshot; nothing is told of one that fails once."""

    def refuse(_folder: Path) -> None:
        raise InputError("recordings: cannot be read.")

    async def follow() -> list[str]:
        follower = Follower(RecordingCache(tmp_path))
        faults = []
        with follower.follow() as news:
            while not follower.snapshot.fault:
                news.clear()
                await asyncio.wait_for(news.wait(), 30)
                faults.append(follower.snapshot.fault)
        return faults

    monkeypatch.setattr("dashboard.server.recording_cache.find_recordings", refuse)
    monkeypatch.setattr("dashboard.live.follower.SEARCH_PERIOD_S", 0.0)
    faults = asyncio.run(follow())
    assert faults[-1] == "recordings: cannot be read."
    assert faults[:-1] == [""] * (FAILURES_UNTIL_REPORT - 1)


def _snapshot(recording: Recording, *, serial: int) -> Snapshot:
    end_ns = recording.end_ns
    return Snapshot(
        serial=serial, recording=recording, now_ns=end_ns, present_ns=end_ns, latest={}, slow={}
    )
