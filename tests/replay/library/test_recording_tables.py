"""The tables of the library hold what the recording holds, by the code behind the commands."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import dutytrace
from logger.importing.tables.import_table import import_table, table_bench, value_table
from logger.joint.channels import channel_named
from logger.limits.limit import LimitSet
from logger.simulate import scenario
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.library.recording_tables import RecordingTables
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.command import run

S = 1_000_000_000


@pytest.fixture(scope="module")
def tables(overheat: Recording) -> RecordingTables:
    """Half an hour of the simulated joints."""
    return dutytrace.open(overheat.path)


def test_readings_are_the_rows(tables: RecordingTables, overheat: Recording):
    """Of a span, to the nanosecond and the last bit; units beside them."""
    start_ns, end_ns = overheat.start_ns + 10 * S, overheat.start_ns + 20 * S
    batch = overheat.read_readings("elbow", start_ns, end_ns)
    made = tables.readings("elbow", 10, 20)
    assert made.index.astype("int64").tolist() == batch.time_ns.tolist()
    assert str(made.index.tz) == "UTC"
    assert made["position_segment"].tolist() == batch.position_segment.tolist()
    for channel, values in batch.columns.items():
        np.testing.assert_array_equal(made[channel].to_numpy(np.float64, na_value=np.nan), values)
        assert made.attrs["units"][channel] == channel_named(channel).ucum
    some = tables.readings("elbow", 10, 20, channels=["voltage_V"])
    assert some["voltage_V"].tolist() == batch.channel_series("voltage_V")[1].tolist()
    assert list(some) == ["voltage_V"]


@pytest.mark.parametrize(
    "span",
    [
        (60, 120),
        ("60s", "2min"),
        (timedelta(seconds=60), pd.Timedelta("120s")),
        ("2026-11-18T11:07:40", "2026-11-18T12:08:40+01:00"),
        (datetime(2026, 11, 18, 11, 7, 40), datetime(2026, 11, 18, 11, 8, 40, tzinfo=UTC)),  # noqa: DTZ001 - without a zone it is UTC
        (np.datetime64("2026-11-18T11:07:40"), pd.Timestamp("2026-11-18T11:08:40Z")),
    ],
)
def test_a_span_however_it_is_stated(tables: RecordingTables, overheat: Recording, span: tuple):
    """Times, lengths from the start, with a zone or without."""
    made = tables.readings("shoulder", *span)
    batch = overheat.read_readings(
        "shoulder", overheat.start_ns + 60 * S, overheat.start_ns + 120 * S
    )
    assert made.index.astype("int64").tolist() == batch.time_ns.tolist()


@pytest.mark.parametrize("width", ["60s", "7s", 1, "250ms", 0.1, 1.5])
def test_an_envelope_loses_no_extreme(tables: RecordingTables, overheat: Recording, width: object):
    """Whatever its width: extremes, counts and integrals are those of the rows."""
    made = tables.envelope("shoulder", "torque_Nm", "5min", "10min", width=width)
    first = int(made.index.astype("int64")[0])
    last = int(made.index.astype("int64")[-1]) + round(made.attrs["width_s"] * 1e9)
    batch = overheat.read_readings("shoulder", first, last)
    _, torque = batch.channel_series("torque_Nm")
    assert made["n"].sum() == len(torque)
    assert made["max"].max() >= torque.max()
    found = span_statistics(overheat, "shoulder", "torque_Nm", first, last)
    assert (made["min"].min(), made["max"].max()) == (found.minimum, found.maximum)
    assert made["held_s"].sum() == pytest.approx(found.duration_s)
    assert (made["mean"] * made["held_s"]).sum() == pytest.approx(found.mean * found.duration_s)
    square = (made["rms"] ** 2 * made["held_s"]).sum()
    assert np.sqrt(square / found.duration_s) == pytest.approx(found.rms)
    assert (np.diff(made.index.astype("int64")) == round(made.attrs["width_s"] * 1e9)).all()
    assert made.attrs["units"]["rms"] == "N.m"


def test_figures_are_exact(tables: RecordingTables, overheat: Recording):
    """A row for each channel, the same as the pages show."""
    made = tables.figures("elbow", 30.5, 1000.25)
    for channel in overheat.channels("elbow"):
        found = span_statistics(
            overheat, "elbow", channel,
            overheat.start_ns + 30_500_000_000, overheat.start_ns + 1_000_250_000_000,
        )  # fmt: skip
        row = made.loc[channel]
        assert (row["n"], row["min"], row["max"]) == (found.n, found.minimum, found.maximum)
        assert (row["mean"], row["rms"]) == (found.mean, found.rms)
        assert row["unit"] == channel_named(channel).ucum


def test_excursions_are_those_of_the_command(tables: RecordingTables, overheat: Recording):
    """As recorded, and by other limits."""
    answer = json.loads(run("excursions", str(overheat.path), "--json").stdout)["excursions"]
    made = tables.excursions()
    assert made["limit"].tolist() == [one["limit"] for one in answer]
    assert made["duration_s"].round(3).tolist() == [one["duration_s"] for one in answer]
    assert made["peak"].dropna().tolist() == [
        one["peak"] for one in answer if one["peak"] is not None
    ]
    assert made["start"].dt.floor("ms").tolist() == [pd.Timestamp(one["start"]) for one in answer]
    torques = [one["rms_torque_Nm"].get("300") for one in answer]
    assert made["rms_torque_300s_Nm"].round(4).fillna(-1).tolist() == [
        -1 if one is None else one for one in torques
    ]


def test_other_limits(tables: RecordingTables, tmp_path: Path):
    """A limits file that would have raised nothing gives an empty table with its columns."""
    (tmp_path / "calm.toml").write_text(
        'format = 1\n[[limit]]\nname = "melting"\nkind = "level"\nseverity = "trip"\n'
        'channel = "temperature_housing_degC"\nabove = 200.0\n'
    )
    made = tables.excursions(tmp_path / "calm.toml")
    assert len(made) == 0
    assert list(made) == list(tables.excursions())
    assert str(made["start"].dtype) == "datetime64[ns, UTC]"
    with pytest.raises(dutytrace.InputError, match="no such limits file"):
        tables.excursions(tmp_path / "none.toml")


def test_alerts_notes_and_events(tables: RecordingTables, overheat: Recording):
    """All of them, by number or time."""
    alerts = overheat.read_alerts()
    made = tables.alerts()
    assert made.index.tolist() == [one.number for one in alerts]
    assert made["raised"].astype("int64").tolist() == [one.raised_ns for one in alerts]
    assert made["returned"].isna().tolist() == [one.returned_ns is None for one in alerts]
    events = overheat.read_events()
    assert tables.events()["text"].tolist() == [one.text for one in events]
    assert set(tables.events("raised")["kind"]) == {"raised"}
    assert len(tables.notes()) == len([one for one in events if one.kind == "note"])
    with pytest.raises(dutytrace.InputError, match=r"kind: found 'rised'.*'raised'"):
        tables.events("rised")


def test_the_seconds_of_the_buses(tables: RecordingTables, overheat: Recording):
    """Every frame is in one of them."""
    made = tables.buses()
    assert made["frames_per_s"].sum() == overheat.row_count("frames")
    assert (np.diff(made.index.astype("int64")) == S).all()
    assert made.attrs["units"]["load"] == "1"


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda one: one.readings("sholder"), "joint: found 'sholder'.*'shoulder'"),
        (lambda one: one.readings("elbow", channels=["torque"]), "found 'torque'.*torque_Nm"),
        (lambda one: one.readings("elbow", "noon"), "start: found 'noon'"),
        (lambda one: one.readings("elbow", 10, 5), "end: found .* expected later"),
        (lambda one: one.readings("elbow", float("nan")), "start: found nan"),
        (lambda one: one.envelope("elbow", "torque_Nm", width=0), "width: found 0"),
        (lambda one: one.envelope("elbow", "torque_Nm", width=1e-6), "buckets of 1e-06 s"),
        (lambda one: one.figures("elbow", "1e30s"), "start: found"),
        (lambda _: dutytrace.open("nothing"), "no such recording"),
    ],
)
def test_mistakes_are_one_sentence(tables: RecordingTables, ask, words: str):
    """What was found, what was expected; never an exception of a library below."""
    with pytest.raises(dutytrace.InputError, match=words):
        ask(tables)


def test_a_live_recording_shows_what_is_written_by_then(tmp_path: Path, overheat: Recording):
    """Each call sees the newest rows."""
    bench = scenario.scenario_bench(channel="x", rate_Hz=20.0)
    manifest = new_manifest(bench, name="live", started_ns=overheat.start_ns)
    writer = RecordingWriter(tmp_path / "live", manifest, bench, now_s=0.0)
    tables = dutytrace.open(tmp_path / "live")
    assert tables.live
    assert len(tables.events()) == len(tables.alerts()) == len(tables.buses()) == 0
    for second in (1, 2):
        writer.append_readings(
            overheat.read_readings(
                "elbow", overheat.start_ns + (second - 1) * S, overheat.start_ns + second * S
            )
        )
        writer.tick(float(second))
        rows = tables.readings("elbow")
        assert rows.index[-1] < tables.end <= tables.start + pd.Timedelta(seconds=second)
        assert (
            len(rows)
            == overheat.read_readings(
                "elbow", overheat.start_ns, overheat.start_ns + second * S
            ).time_ns.size
        )
        assert tables.figures("elbow").at["torque_Nm", "n"] > 0
    writer.close(ended_ns=overheat.start_ns + 2 * S, cause="stopped")
    assert tables.end == tables.start + pd.Timedelta(seconds=2)
    assert not tables.live


def test_a_table_of_values_has_no_bus(tmp_path: Path):
    """Its readings read like any others; an instrument is told apart from joints."""
    (tmp_path / "a.csv").write_text("t,I\n1795000000,1\n1795000001,2\n")
    bench = table_bench("", {"time": ["t"]}, {"a": {"current_A": "I"}}, "a.csv")
    import_table(
        value_table(bench, tmp_path / "a.csv"), bench=bench, limits=LimitSet(),
        out=lambda _first_ns: tmp_path / "rec", name="a",
    )  # fmt: skip
    tables = dutytrace.open(tmp_path / "rec")
    assert (tables.joints, tables.instruments) == (("a",), ())
    assert tables.readings("a")["current_A"].tolist() == [1.0, 2.0]
    assert len(tables.buses()) == 0
    assert dutytrace.recordings(tmp_path)["name"].tolist() == ["a"]
