"""A sweep on any executor: the same result, whatever dies or stops; the command as it is typed."""

import importlib
import json
import os
import threading
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError
from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits, read_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.repair.post_request import submit_request
from replay.evaluation.alert_arrays import to_alert_arrays
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.tuning.executors import process_executor
from replay.tuning.score import ScoringTerms, score_alerts
from replay.tuning.sweep import Sweep, parse_sweep
from replay.tuning.tune import SweepResult, prepare_sweep, run_sweep
from tests.support.command import run as _command

START_NS = 1_795_000_000_000_000_000
LIMITS = scenario.scenario_limits_text()
SWEEP = """
format = 1
[bad_end]
channel = "temperature_housing_degC"
above = 77.0
joint = "shoulder"
within_s = 900.0
[[vary]]
limit = "housing-warm"
key = "above"
from = 66.0
to = 76.0
steps = 6
[[vary]]
limit = "housing-warm"
key = "drop_off"
offset_of = "above"
values = [-1.0]
[[vary]]
limit = "over-current"
key = "above"
values = [11.0, 30.0]
"""


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Give three short tests of the simulated joints, each with an overheat."""
    folder = tmp_path_factory.mktemp("three")
    made = []
    for seed in (3, 4, 5):
        out = folder / f"test-{seed}"
        import_frames(
            simulate_frames(hours=0.3, rate_Hz=10.0, seed=seed, start_ns=START_NS),
            bench=scenario.scenario_bench(channel="simulated", rate_Hz=10.0),
            limits=parse_limits(LIMITS, "limits.toml"),
            out=out,
            name=f"Test {seed}",
            start_ns=START_NS,
            end_ns=START_NS + int(0.3 * 3600e9),
            simulated=True,
        )
        made.append(out)
    return made


def _sweep(text: str = SWEEP) -> Sweep:
    return parse_sweep(text, parse_limits(LIMITS, "limits.toml"), "sweep.toml")


def _scores(found: SweepResult) -> list[str]:
    # As text: NaN is the same as NaN there.
    return [
        f"{row.candidate.number} {row.source.path} {row.joint} {row.score}" for row in found.rows
    ]


class _Deadly(ProcessPoolExecutor):
    """Processes of which one dies at the second task."""

    count = 0

    def submit(self, fn, /, *args, **kwargs) -> Future:
        self.count += 1
        return super().submit(os._exit, 7) if self.count == 2 else super().submit(fn, *args)


def test_the_same_on_any_executor(recordings: list[Path]):
    """One process, two, threads, and processes of which one dies: bit for bit the same."""
    asked = prepare_sweep(recordings, _sweep(), "limits.toml")
    alone = run_sweep(asked)
    assert alone.is_complete
    assert alone.bad_ends >= 3
    assert alone.chosen_index is not None
    with process_executor(2) as pool:
        assert _scores(run_sweep(asked, executor=pool, jobs=2)) == _scores(alone)
        # Which Arrow would load in each of them.
        with pytest.raises(ModuleNotFoundError, match="left out of this process"):
            pool.submit(importlib.import_module, "pandas").result()
    with ThreadPoolExecutor(3) as threads:
        assert _scores(run_sweep(asked, executor=threads, jobs=3)) == _scores(alone)
    with _Deadly(2) as deadly:
        found = run_sweep(asked, executor=deadly, jobs=2)
    assert found.is_complete
    assert _scores(found) == _scores(alone)
    assert (found.chosen_index, found.pareto_indices) == (alone.chosen_index, alone.pareto_indices)


def test_scores_are_of_what_excursions_finds(recordings: list[Path]):
    """Each row is what the excursions of its limits come to, found one by one."""
    asked = prepare_sweep(recordings, _sweep(), "limits.toml")
    found = run_sweep(asked)
    for row in (found.rows[0], found.rows[-1]):
        spans = row.source.bad_ends[row.joint]
        base = parse_limits(LIMITS, "limits.toml")
        recording = Recording.open(row.source.path)
        told = []
        for limit in row.candidate.limits:
            only = type(base)(limits=(limit,))
            mine = [one for one in find_excursions(recording, only) if one.joint == row.joint]
            alerts = to_alert_arrays([])
            whole = [
                (one.start_ns, 2**62 if one.ongoing else one.start_ns + round(one.duration_s * 1e9))
                for one in mine
            ]
            alerts = type(alerts)(
                onset_ns=alerts.onset_ns if not mine else _array(one.onset_ns for one in mine),
                raised_ns=_array(begin for begin, _ in whole),
                returned_ns=_array(end for _, end in whole),
            )
            told.append((alerts, limit.severity == "trip"))
        terms = ScoringTerms(
            start_ns=row.source.start_ns,
            end_ns=row.source.end_ns,
            recorded_s=row.source.recorded_s,
            bad_ends=spans,
            within_s=900.0,
        )
        assert str(score_alerts(told, terms)) == str(row.score)


def _array(values):
    return np.array(list(values), np.int64)


@pytest.mark.parametrize("jobs", [1, 2])
def test_stopped_it_keeps_what_is_done(recordings: list[Path], jobs: int):
    """Rows that are done are those of the whole; nothing is chosen on a part."""
    asked = prepare_sweep(recordings, _sweep(), "limits.toml")
    stop = threading.Event()

    def progress(share: float) -> None:
        if share > 0.3:
            stop.set()

    with process_executor(jobs) as pool:
        found = run_sweep(asked, executor=pool, jobs=jobs, progress=progress, stop=stop)
    whole = set(_scores(run_sweep(asked)))
    assert set(_scores(found)) <= whole
    if not found.is_complete:
        assert len(found.rows) < len(whole)
        assert found.chosen_index is None
    assert jobs == 2 or not found.is_complete


def test_progress_grows_to_the_whole(recordings: list[Path]):
    """It never goes back, and ends at one."""
    asked = prepare_sweep(recordings, _sweep(), "limits.toml")
    shares: list[float] = []
    run_sweep(asked, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


def test_what_cannot_be_judged_is_refused(recordings: list[Path], overheat: Recording):
    """The same recording twice, a channel or a joint that is not there."""
    with pytest.raises(InputError, match="twice"):
        prepare_sweep(
            [recordings[0], recordings[0] / ".." / recordings[0].name], _sweep(), "l.toml"
        )
    with pytest.raises(InputError, match=r"bad_end\.joint: found 'sholder'.*Did you mean"):
        prepare_sweep(recordings, _sweep(SWEEP.replace('"shoulder"', '"sholder"')), "limits.toml")
    winding = SWEEP.replace('housing_degC"\nabove', 'winding_degC"\nabove')
    with pytest.raises(InputError, match=r"bad_end\.channel: found 'temperature_winding_degC'"):
        prepare_sweep(recordings, _sweep(winding), "limits.toml")
    with pytest.raises(InputError, match="none of the joints that the limits watch"):
        prepare_sweep(
            recordings, _sweep(winding.replace('joint = "shoulder"\n', "")), "limits.toml"
        )
    other = parse_limits(LIMITS.replace('"shoulder"', '"wrist"'), "limits.toml")
    sweep = parse_sweep(
        SWEEP.partition("[[vary]]")[0]
        + '[[vary]]\nlimit = "over-torque"\nkey = "above"\nvalues = [15.0]\n',
        other,
        "sweep.toml",
    )
    with pytest.raises(InputError, match="found 'wrist'"):
        prepare_sweep([overheat.path], sweep, "limits.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with the limits and the sweep as files."""
    (tmp_path / "limits.toml").write_text(LIMITS, encoding="utf-8")
    (tmp_path / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    return tmp_path


def _tune(folder: Path, recordings: list[Path], *more: str):
    named = [str(path) for path in recordings]
    return _command(
        "tune", *named, "--limits", "limits.toml", "--sweep", "sweep.toml", *more, cwd=folder
    )


def test_the_command(folder: Path, recordings: list[Path]):
    """A choice, judged on what had no say in it; the whole table; limits that can be used."""
    done = _tune(folder, recordings, "--table", "all.parquet", "--save", "new.toml", "--json")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["format"] == 1
    assert answer["candidates"] == 12
    assert answer["choice"]["caught"] == answer["bad_ends"] >= 3
    assert len(answer["judged"]["left_out"]) == 3
    low, high = answer["judged"]["caught_share_between"]
    assert 0.0 <= low < high <= 1.0
    assert answer["choice"] in answer["best"]

    table = pq.read_table(folder / "all.parquet").to_pylist()
    assert len(table) == 12 * 3
    assert table[0]["housing-warm.drop_off"] == table[0]["housing-warm.above"] - 1.0
    mine = [row for row in table if row["candidate"] == answer["choice"]["candidate"]]
    assert sum(row["caught"] for row in mine) == answer["choice"]["caught"]
    assert sum(row["false_alerts"] for row in mine) == answer["choice"]["false_alerts"]

    text = (folder / "new.toml").read_text(encoding="utf-8")
    assert text.startswith("# Limits chosen by dutytrace")
    assert "test-3, test-4, test-5" in text
    assert "# The demo's limits." in text
    saved = read_limits(folder / "new.toml").by_name("housing-warm")
    assert saved is not None
    assert saved.written_keys["above"] == answer["choice"]["changes"]["housing-warm.above"]

    again = _tune(folder, recordings, "--save", "new.toml")
    assert again.returncode == 2
    assert "already exists" in again.stderr
    spoken = _tune(folder, recordings, "--jobs", "1")
    assert spoken.returncode == 0
    assert "Chosen: housing-warm.above = " in spoken.stdout
    assert "had no say in it" in spoken.stdout


@pytest.mark.slow
def test_nothing_to_choose_is_said(folder: Path, recordings: list[Path]):
    """No bad end, or none that is caught: exit status 1, in words, and nothing saved."""
    text = SWEEP.replace("above = 77.0", "above = 120.0")
    (folder / "sweep.toml").write_text(text, encoding="utf-8")
    done = _tune(folder, recordings, "--save", "new.toml")
    assert done.returncode == 1
    assert "None of the 3 recordings has a bad end (housing of shoulder at or above 120 °C)" in (
        done.stdout
    )
    text = SWEEP.replace("from = 66.0\nto = 76.0", "from = 96.0\nto = 99.0").replace("11.0, ", "")
    (folder / "sweep.toml").write_text(text, encoding="utf-8")
    done = _tune(folder, recordings, "--save", "new.toml")
    assert done.returncode == 1
    assert "No candidate catches any of the" in done.stdout
    assert not (folder / "new.toml").exists()


def test_one_recording_judges_nothing(folder: Path, recordings: list[Path]):
    """The choice is made, and it is said that nothing can be said of it."""
    done = _tune(folder, recordings[:1])
    assert done.returncode == 0
    assert "Not judged: only one recording has any, and it takes two" in done.stdout


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('key = "above"', 'key = "tms"', "vary[1].key: found 'tms'"),
        ("to = 76.0", "to = 6.0", "vary[1].to: found 6"),
        ("temperature_housing_degC", "temperature_winding_degC", "does not carry"),
    ],
)
def test_wrong_input_is_refused(folder: Path, recordings: list[Path], old: str, new: str, said):
    """One clear line, exit status 2, nothing done."""
    text = SWEEP.replace(old, new, 1)
    (folder / "sweep.toml").write_text(text, encoding="utf-8")
    done = _tune(folder, recordings, "--table", "all.parquet")
    assert done.returncode == 2
    assert said in done.stderr
    assert not (folder / "all.parquet").exists()


def test_a_note_marks_a_bad_end(recordings: list[Path], tmp_path: Path):
    """What somebody wrote into the recording counts, from its moment on."""
    out = tmp_path / "noted"
    import_frames(
        simulate_frames(hours=0.1, rate_Hz=10.0, seed=1, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=10.0),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=out,
        name="Noted",
        note="Smoke from the elbow",
        start_ns=START_NS,
        end_ns=START_NS + int(0.1 * 3600e9),
        simulated=True,
    )
    submit_request(out, kind="note", text="SMOKE again", who="")
    bad = 'note = "smoke"\nlength_s = 30.0\n'
    text = SWEEP.partition("channel =")[0] + bad + SWEEP.partition("within_s = 900.0\n")[2]
    asked = prepare_sweep([out], _sweep(text), "limits.toml")
    spans = asked.inputs[0].bad_ends
    assert set(spans) == {"shoulder", "elbow"}
    assert spans["elbow"] == spans["shoulder"]
    assert spans["elbow"][0] == (START_NS, START_NS + 30_000_000_000)
