"""What is kept in memory is what lies in the folder: rows and events, however they came."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.lifecycle import alerts_from_events
from logger.store.layout.events import Event
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.reading.journal_tail import JournalTail
from logger.store.reading.reader import RecordingReader
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from tests.support.depth import examples
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {
        "l": 'format = 1\nname = "l"\n[[frame]]\nname = "s"\nidentifier = 1\nlength = 8\n'
        'hold_s = 0.5\n[[frame.value]]\nchannel = "torque_Nm"\nbyte = 0\nbits = 32\n'
        '[[frame.value]]\nchannel = "speed_rad_s"\nbyte = 4\nbits = 32\n'
    },
    where="bench.toml",
)
CHANNELS = ("torque_Nm", "speed_rad_s")
STEPS = st.lists(
    st.tuples(
        st.lists(st.sampled_from([0, 1_000_000, 90_000_000, S]), min_size=1, max_size=9),
        st.sampled_from(["", "raised", "returned", "note", "shelved"]),
        st.booleans(),
        st.booleans(),
        st.tuples(st.integers(0, 7 * S), st.integers(0, 7 * S)),
    ),
    min_size=1,
    max_size=12,
)


def _event(kind: str, number: int, time_ns: int) -> Event:
    speaks_of = number if kind == "raised" else max(number - 1, 1)
    return Event(
        sequence=number,
        time_ns=time_ns,
        kind=kind,
        joint="a",
        limit="hot",
        severity="warning",
        alert=0 if kind == "note" else speaks_of,
        duration_s=60.0 if kind == "shelved" else float("nan"),
    )


@settings(
    max_examples=examples(80),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(STEPS)
def test_what_is_kept_is_what_was_written(tmp_path_factory, monkeypatch, steps):
    """Rows of any span near the end, events and alerts are those of a reader that keeps none."""
    monkeypatch.setattr(JournalTail, "loose_most", 2)
    path = tmp_path_factory.mktemp("r") / "rec"
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    followed: Recording | None = None
    newest_ns, now_s = START_NS, 0.0
    for number, (gaps, kind, sealed, refreshed, (back_ns, span_ns)) in enumerate(steps, start=1):
        time_ns = newest_ns + np.cumsum(np.array(gaps, np.int64))
        newest_ns = int(time_ns[-1])
        speed = np.full(len(gaps), np.nan)
        speed[::2] = number
        writer.append_readings(
            ReadingBatch(
                joint="a",
                time_ns=time_ns,
                position_segment=np.full(len(gaps), -1, np.int32),
                columns={"torque_Nm": np.arange(len(gaps)) + 100.0 * number, "speed_rad_s": speed},
            )
        )
        if kind:
            writer.append_events([_event(kind, number, newest_ns)])
        now_s += 5000.0 if sealed else 0.01
        tick_into_parts(writer, now_s)
        writer._journal.flush()
        if followed is None:
            followed = Recording.open(path)
        elif refreshed:
            followed.refresh()
        else:
            continue
        plain = RecordingReader(path)
        start_ns = newest_ns - back_ns
        assert followed.reading_count("a") == plain.row_count(status_stream("a"))
        wanted = plain.read_readings(
            "a", start_ns=start_ns, end_ns=start_ns + span_ns, channels=CHANNELS
        )
        found = followed.read_readings("a", start_ns, start_ns + span_ns)
        np.testing.assert_array_equal(found.time_ns, wanted.time_ns)
        for channel in CHANNELS:
            np.testing.assert_array_equal(found.columns[channel], wanted.columns[channel])
        whole = plain.read_rows(status_stream("a"), start_ns=0, end_ns=2**62)
        assert followed.read_readings("a", 0, 2**62).time_ns.tolist() == (
            whole["time"].cast("int64").to_pylist()
        )
        assert [repr(event) for event in followed.read_events()] == [
            repr(event) for event in plain.read_events()
        ]
        assert repr(followed.read_alerts()) == repr(alerts_from_events(plain.read_events()))
    writer.abandon()
