"""Pages that look at one view cost what one costs: each moment is drawn and encoded once."""

import json
from dataclasses import replace
from datetime import UTC

import pytest

from dashboard.live.follower import latest_values
from dashboard.live.session import LiveSession
from dashboard.live.snapshot import Snapshot
from dashboard.live.view import LiveView
from dashboard.live.view_stream import ViewStreams
from dashboard.live.wire_format import unpack_update
from replay.recording import Recording

S = 1_000_000_000
LOOK = {"kind": "look", "window_s": 60.0, "width": 900, "height": 440, "form": "normal"}


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count how often a view is drawn, by the snapshots."""
    serials: list[int] = []
    advance = LiveView.advance

    def counted(view: LiveView, snapshot: Snapshot) -> object:
        serials.append(snapshot.serial)
        return advance(view, snapshot)

    monkeypatch.setattr(LiveView, "advance", counted)
    return serials


def _moment(recording: Recording, serial: int) -> Snapshot:
    end_ns = recording.end_ns + serial * S // 8
    latest = {
        joint: latest_values(recording, joint, None, recording.end_ns) for joint in recording.joints
    }
    return Snapshot(
        serial=serial, recording=recording, now_ns=end_ns, present_ns=end_ns, latest=latest, slow={}
    )


def _acknowledge(session: LiveSession, messages: list[str | bytes]) -> None:
    for message in messages:
        if isinstance(message, bytes):
            session.on_message({"ack": unpack_update(message).serial})


def test_pages_of_one_view_are_sent_the_very_same_bytes(overheat: Recording, drawn: list[int]):
    """Three of them: one drawing a moment, and what is sent is made once."""
    streams = ViewStreams()
    sessions = [LiveSession(streams) for _ in range(3)]
    for session in sessions:
        session.on_message(dict(LOOK))
    for serial in range(1, 12):
        snapshot = _moment(overheat, serial)
        streams.advance(snapshot)
        sent = [session.next_messages(snapshot) for session in sessions]
        assert sent[0]
        for messages in sent:
            assert [id(one) for one in messages] == [id(one) for one in sent[0]]
        for session, messages in zip(sessions, sent, strict=True):
            _acknowledge(session, messages)
    assert drawn == list(range(1, 12))


def test_what_was_prepared_needs_no_thread(overheat: Recording):
    """After the first moment the follower's thread makes all that a steady page needs."""
    streams = ViewStreams()
    session = LiveSession(streams)
    session.on_message(dict(LOOK))
    for serial in range(1, 8):
        snapshot = _moment(overheat, serial)
        streams.advance(snapshot)
        assert session.is_prepared(snapshot) == (serial > 1)
        _acknowledge(session, session.next_messages(snapshot))
        assert session.is_prepared(snapshot)


def test_another_view_is_another_stream(overheat: Recording, drawn: list[int]):
    """Another window, size or theme is drawn for itself."""
    streams = ViewStreams()
    snapshot = _moment(overheat, 1)
    for change in ({}, {"window_s": 300.0}, {"width": 700}, {"theme": "dark"}, {}):
        session = LiveSession(streams)
        session.on_message({**LOOK, **change})
        assert session.next_messages(snapshot)
    assert len(drawn) == 4


def test_nothing_is_drawn_for_nobody(overheat: Recording, drawn: list[int]):
    """A page that has two updates to acknowledge asks for no third, nor does its view go on."""
    streams = ViewStreams()
    session = LiveSession(streams)
    session.on_message(dict(LOOK))
    for serial in range(1, 10):
        snapshot = _moment(overheat, serial)
        streams.advance(snapshot)
        session.next_messages(snapshot)
    # The third was drawn before anybody knew that it would not be taken.
    assert drawn == [1, 2, 3]


def test_what_nobody_looks_at_is_let_go(overheat: Recording, drawn: list[int]):
    """Without a recording, or once it is read as another: a page begins anew then."""
    streams = ViewStreams()
    session = LiveSession(streams)
    session.on_message(dict(LOOK))
    snapshot = _moment(overheat, 1)
    _acknowledge(session, session.next_messages(snapshot))
    stream = streams.stream_of(session.request, overheat)  # type: ignore[arg-type]
    assert streams.stream_of(session.request, overheat) is stream  # type: ignore[arg-type]
    streams.advance(replace(snapshot, serial=2, recording=None))
    assert streams.stream_of(session.request, overheat) is not stream  # type: ignore[arg-type]
    sent = session.next_messages(_moment(overheat, 3))
    assert [json.loads(m)["kind"] for m in sent if isinstance(m, str)] == ["sheet", "status"]
    assert drawn == [1, 3]


def test_who_comes_later_or_was_away_has_the_same_picture(overheat: Recording):
    """Whole for the newcomer, what it lacks for the one that was away: shapes, words and status."""
    streams = ViewStreams()
    steady, away, late = (LiveSession(streams) for _ in range(3))
    steady.on_message(dict(LOOK))
    away.on_message(dict(LOOK))
    missed = away.next_messages(_moment(overheat, 1))
    _acknowledge(steady, steady.next_messages(_moment(overheat, 1)))
    for serial in range(2, 9):
        snapshot = _moment(overheat, serial)
        _acknowledge(steady, steady.next_messages(snapshot))
    _acknowledge(away, missed)
    late.on_message(dict(LOOK))
    (behind,) = (m for m in away.next_messages(snapshot) if isinstance(m, bytes))
    whole = late.next_messages(snapshot)
    assert not unpack_update(behind).whole
    assert [json.loads(m)["kind"] for m in whole if isinstance(m, str)] == ["sheet", "status"]
    assert unpack_update(next(m for m in whole if isinstance(m, bytes))).whole
    # A new request of the same page begins anew as well.
    late.on_message(dict(LOOK))
    again = late.next_messages(replace(snapshot, serial=99))
    assert [json.loads(m)["kind"] for m in again if isinstance(m, str)] == ["sheet", "status"]


def test_readers_of_a_closed_house_have_no_actions(overheat: Recording):
    """Without the right to write no alert has a button."""
    snapshot = _moment(overheat, 1)
    for writes in (True, False):
        session = LiveSession(ViewStreams(writes=writes))
        session.on_message({**LOOK, "zone": str(UTC)})
        told = [json.loads(m) for m in session.next_messages(snapshot) if isinstance(m, str)]
        (status,) = (message["changes"] for message in told if message["kind"] == "status")
        actions = [row["actions"] for row in status["alerts"]]
        assert any(actions) is writes
