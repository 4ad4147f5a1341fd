"""Sound inputs, made by the program itself: recordings, settings, a tar, a log, requests of pages.

Small, so that a command over one of them takes a fraction of a second.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.importing.import_frames import import_frames
from logger.joint.bench.layout import shipped_layout_text
from logger.limits.kinds import example_text
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.manifest import read_manifest, write_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.tools.pack import write_tar
from logger.store.writing.journal import JournalWriter

__all__ = ["START_NS", "Corpus", "make_corpus", "post_bodies"]

START_NS = 1_795_000_000_000_000_000
RATE_HZ = 10.0
SECONDS = 40

TABLE = """[table]
time = "t"
zone = "Europe/Berlin"
[[joint]]
name = "shoulder"
  [joint.column]
  temperature_housing_degC = "ambient [degC] + 1.5"
  torque_Nm = "ambient / 10"
"""
SWEEP = """format = 1
[bad_end]
channel = "temperature_housing_degC"
above = 30.0
[[vary]]
limit = "tepid"
key = "above"
values = [25.0, 28.0]
"""
TELL = """format = 1
[[webhook]]
name = "lab"
url = "http://127.0.0.1:9/none"
"""


@dataclass(frozen=True, slots=True)
class Corpus:
    """A folder of sound inputs."""

    folder: Path

    @property
    def ended(self) -> Path:
        """A recording that was closed."""
        return self.folder / "ended"

    @property
    def unclosed(self) -> Path:
        """The same as a crash would leave it: all its rows in a journal."""
        return self.folder / "unclosed"

    @property
    def packed(self) -> Path:
        """The same as one file."""
        return self.folder / "packed.dutytrace.tar"

    @property
    def settings(self) -> Path:
        """A folder of settings files that belong together, and a log."""
        return self.folder / "settings"


def make_corpus(folder: Path) -> Corpus:
    """Make the corpus in an empty folder."""
    corpus = Corpus(folder)
    bench = scenario.scenario_bench(channel="fuzz", rate_Hz=RATE_HZ)
    import_frames(
        simulate_frames(hours=SECONDS / 3600, rate_Hz=RATE_HZ, seed=5, start_ns=START_NS),
        bench=bench,
        limits=parse_limits(_limits_text(), "limits.toml"),
        out=corpus.ended,
        name="Sound",
        start_ns=START_NS,
        end_ns=START_NS + SECONDS * 10**9,
        simulated=True,
    )
    _leave_unclosed(corpus)
    write_tar(corpus.ended, corpus.packed)
    _write_settings(corpus.settings, corpus.ended)
    return corpus


def _limits_text() -> str:
    # One that is raised at once, so that there are alerts.
    return scenario.scenario_limits_text() + (
        '\n[[limit]]\nname = "tepid"\nkind = "level"\nseverity = "warning"\n'
        'channel = "temperature_housing_degC"\nabove = 22.0\n'
    )


def _leave_unclosed(corpus: Corpus) -> None:
    reader = RecordingReader(corpus.ended)
    path = corpus.unclosed
    (path / JOURNAL_FOLDER).mkdir(parents=True)
    (path / "inbox").mkdir()
    manifest = read_manifest(corpus.ended)
    write_manifest(path, manifest.model_copy(update={"ended_ns": None, "rows": {}}))
    journal = JournalWriter(path / JOURNAL_FOLDER, number=1)
    for stream in reader.schemas:
        rows = reader.read_rows(stream, start_ns=0, end_ns=2**62)
        for batch in rows.combine_chunks().to_batches():
            journal.append_rows(stream, 0, batch)
    journal.close()


def _write_settings(folder: Path, recording: Path) -> None:
    folder.mkdir()
    bench = scenario.scenario_bench_text("fuzz").replace('"slcan"', '"virtual"')
    lines = [line for line in bench.splitlines() if not line.startswith("options")]
    (folder / "bench.toml").write_text("\n".join(lines), encoding="utf-8")
    layout = shipped_layout_text(scenario.SCENARIO_LAYOUT) or ""
    (folder / f"{scenario.SCENARIO_LAYOUT}.toml").write_text(layout, encoding="utf-8")
    (folder / "limits.toml").write_text(_limits_text(), encoding="utf-8")
    (folder / "every.toml").write_text(example_text(), encoding="utf-8")
    (folder / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    (folder / "tell.toml").write_text(TELL, encoding="utf-8")
    (folder / "table.toml").write_text(TABLE, encoding="utf-8")
    reader = RecordingReader(recording)
    rows = reader.read_rows("frames", start_ns=0, end_ns=2**62).slice(0, 400).to_pylist()
    log = "".join(
        f"({row['time'].value / 1e9:.6f}) can0 "
        f"{row['identifier']:03X}#{row['data'].hex().upper()}\n"
        for row in rows
    )
    (folder / "trace.log").write_text(log, encoding="ascii")
    times = "".join(f"{START_NS / 1e9 + at},{20 + at}\n" for at in range(30))
    (folder / "table.csv").write_text(f"t,ambient\n{times}", encoding="ascii")


def post_bodies(recording: str) -> dict[str, Any]:
    """Return a sound body for each POST of the pages."""
    limit = {
        "name": "warm",
        "kind": "level",
        "severity": "warning",
        "channel": "temperature_housing_degC",
        "above": 22.0,
    }
    bad_end = {"channel": "temperature_housing_degC", "above": 30.0}
    limits = {
        "recordings": [recording],
        "tables": [limit],
        "bad_end": bad_end,
        "chosen": "warm",
        "whole": True,
        "zone": "Europe/Berlin",
    }
    vary = [{"limit": "warm", "key": "above", "start": 20.0, "to": 30.0, "steps": 3}]
    return {
        "/api/limits/evaluate": limits,
        "/api/limits/curve": limits,
        "/api/limits/exact": limits,
        "/api/limits/sweep": {**limits, "vary": vary},
        "/api/limits/file": limits,
        "/api/limits/parse": {"text": "format = 1\n" + SWEEP},
        "/api/limits/jobs/stop": {"number": 1},
        "/api/limits/deploy": {"recording": recording, "tables": [limit], "who": "eva"},
        "/api/requests": {"recording": recording, "kind": "note", "text": "a note", "who": "eva"},
        "/api/cut": {"recording": recording, "start_s": 1.0, "end_s": 9.0, "name": "cut"},
    }
