"""A sweep on a real Dask cluster: the result of one process, whatever dies; faults in sentences."""

import importlib.metadata
import json
import os
import socket
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits, read_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.remote import Address, location_of
from replay.tuning import cluster as on_cluster
from replay.tuning import report
from replay.tuning.cluster import DaskExecutor, dask_executor
from replay.tuning.sweep import parse_sweep, read_sweep
from replay.tuning.table import write_table
from replay.tuning.tune import SweepRequest, SweepResult, prepare_sweep, run_sweep
from tests.support.command import run
from tests.support.dask_cluster import DaskCluster
from tests.support.s3_server import S3Server

distributed = pytest.importorskip(
    "distributed", reason='the extra "cluster" is not installed: there is no scheduler to ask'
)

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
limit = "heats-fast"
key = "over_s"
from = 60.0
to = 300.0
steps = 24
[[vary]]
limit = "housing-warm"
key = "above"
values = [68.0, 72.0]
"""
AT_ONCE = 8


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Give two short tests of the simulated joints, each with an overheat."""
    folder = tmp_path_factory.mktemp("two")
    made = []
    for seed in (3, 4):
        out = folder / f"test-{seed}"
        import_frames(
            simulate_frames(hours=0.2, rate_Hz=20.0, seed=seed, start_ns=START_NS),
            bench=scenario.scenario_bench(channel="simulated", rate_Hz=20.0),
            limits=parse_limits(LIMITS, "limits.toml"),
            out=out,
            name=f"Test {seed}",
            start_ns=START_NS,
            end_ns=START_NS + int(0.2 * 3600e9),
            simulated=True,
        )
        made.append(out)
    return made


@pytest.fixture(scope="module")
def asked(recordings: list[Path]) -> SweepRequest:
    """Give a sweep of many tasks over them."""
    sweep = parse_sweep(SWEEP, parse_limits(LIMITS, "limits.toml"), "sweep.toml")
    return prepare_sweep(recordings, sweep, "limits.toml")


@pytest.fixture
def dask(tmp_path: Path) -> Iterator[DaskCluster]:
    """Give a scheduler without workers, ended with the test."""
    made = DaskCluster(tmp_path)
    yield made
    made.end()


def _scores(found: SweepResult) -> list[str]:
    # As text: NaN is the same as NaN there.
    return [
        f"{row.candidate.number} {row.source.path} {row.joint} {row.score}" for row in found.rows
    ]


def test_a_worker_killed_in_mid_sweep_changes_nothing(dask: DaskCluster, asked: SweepRequest):
    """Two workers, one killed while it works: bit for bit the result of one process."""
    victim, other = dask.worker(), dask.worker()
    killed: list[float] = []
    with (
        distributed.Client(dask.address, set_as_default=False) as client,
        dask_executor(dask.address, jobs=1) as (executor, _),
    ):
        client.wait_for_workers(2, timeout=30)
        pids = {pid: name for name, pid in client.run(os.getpid).items()}

        def progress(share: float) -> None:
            if not killed and client.processing()[pids[victim]]:
                dask.kill(victim)
                killed.append(share)

        found = run_sweep(asked, executor=executor, jobs=AT_ONCE, progress=progress)
        assert killed
        assert killed[0] < 0.9
        assert found.is_complete
        assert list(client.run(os.getpid).values()) == [other]
    alone = run_sweep(asked)
    assert _scores(found) == _scores(alone)
    assert (found.chosen_index, found.pareto_indices, found.totals) == (
        alone.chosen_index,
        alone.pareto_indices,
        alone.totals,
    )
    assert repr(found.validation) == repr(alone.validation)


def test_the_command_on_a_cluster(
    dask: DaskCluster, recordings: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Every byte of the table is that of one process, with recordings named as they are here."""
    dask.worker()
    dask.worker()
    (tmp_path / "limits.toml").write_text(LIMITS, encoding="utf-8")
    (tmp_path / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    common = [os.path.relpath(path, tmp_path) for path in recordings]
    common += ["--limits", "limits.toml", "--sweep", "sweep.toml", "--json"]
    there = run("tune", *common, "--table", "1.parquet", "--cluster", dask.address, cwd=tmp_path)
    assert there.returncode == 0, there.stderr
    assert there.stderr == ""
    monkeypatch.chdir(tmp_path)
    named = [Path(one) for one in common[: len(recordings)]]
    sweep = read_sweep(Path("sweep.toml"), read_limits(Path("limits.toml")))
    here = run_sweep(prepare_sweep(named, sweep, "limits.toml"))
    write_table(tmp_path / "2.parquet", here)
    assert json.loads(there.stdout) == {"format": 1, **report.sweep_to_json(here)}
    assert (tmp_path / "1.parquet").read_bytes() == (tmp_path / "2.parquet").read_bytes()
    both = run("tune", *common, "--jobs", "2", "--cluster", dask.address, cwd=tmp_path)
    assert both.returncode == 2
    assert "--jobs: found 2 together with --cluster" in both.stderr


@pytest.mark.slow
def test_workers_open_an_address_themselves(
    dask: DaskCluster,
    recordings: list[Path],
    asked: SweepRequest,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
):
    """Recordings in a store: what travels is the address, and the result is that of folders."""
    fsspec = pytest.importorskip("fsspec", reason='the extra "remote" is not installed')
    pytest.importorskip("s3fs", reason='the extra "remote" is not installed')
    pytest.importorskip("moto", reason="moto, of the development tools, is not installed")
    server = S3Server(tmp_path)
    try:
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        fsspec.get_filesystem_class("s3").clear_instance_cache()
        store = fsspec.filesystem("s3")
        store.mkdir("bench")
        for path in recordings:
            store.put(str(path), f"bench/{path.name}", recursive=True)
        dask.worker(environment=server.environment)
        there = [location_of(f"s3://bench/{path.name}") for path in recordings]
        far = prepare_sweep(there, asked.sweep, "limits.toml")
        before = len(server.fetched())
        monkeypatch.setattr(Address, "read_ranges", _not_here)
        with dask_executor(dask.address, jobs=1) as (executor, at_once):
            found = run_sweep(far, executor=executor, jobs=at_once)
        assert found.is_complete
        rows = [one for one in server.fetched()[before:] if "/status/" in one["path"]]
        assert rows
        assert all(one["status"] == 206 for one in rows)
    finally:
        server.kill()
    near = run_sweep(asked)
    assert [str(row.score) for row in found.rows] == [str(row.score) for row in near.rows]
    assert (found.chosen_index, found.pareto_indices, found.totals) == (
        near.chosen_index,
        near.pareto_indices,
        near.totals,
    )


def _not_here(*_: object) -> list[bytes]:
    raise AssertionError("the worker reads, and nobody else")


@pytest.mark.slow
def test_stopped_it_keeps_what_is_done(dask: DaskCluster, asked: SweepRequest):
    """Rows that are done are those of the whole, and the workers are free again."""
    dask.worker()
    stop = threading.Event()

    def progress(share: float) -> None:
        if share > 0.2:
            stop.set()

    with dask_executor(dask.address, jobs=1) as (executor, _):
        found = run_sweep(asked, executor=executor, jobs=AT_ONCE, progress=progress, stop=stop)
        assert not found.is_complete
        assert found.chosen_index is None
        with distributed.Client(dask.address, set_as_default=False) as client:
            end = time.monotonic() + 60.0
            while any(client.processing().values()):
                assert time.monotonic() < end, "the worker goes on"
                time.sleep(0.1)
        # And for the next one it works as ever.
        again = run_sweep(asked, executor=executor, jobs=2)
    assert again.is_complete
    assert set(_scores(found)) <= set(_scores(again))


@pytest.mark.slow
@pytest.mark.parametrize("dies", ["scheduler", "worker"])
def test_a_cluster_that_is_gone_ends_it(
    dask: DaskCluster, asked: SweepRequest, monkeypatch: pytest.MonkeyPatch, dies: str
):
    """The scheduler, or the last worker, killed in mid-sweep: a sentence and no endless wait."""
    worker = dask.worker()
    monkeypatch.setattr(on_cluster, "_ANSWER_S", 4.0)
    monkeypatch.setattr(on_cluster, "_ALIVE_CHECK_S", 1.0)
    killed: list[int] = []

    def progress(share: float) -> None:
        if share > 0.0 and not killed:
            killed.append(dask.scheduler if dies == "scheduler" else worker)
            dask.kill(killed[0])

    # Which of the two is noticed first is the client's affair.
    said = "connection to the scheduler broke|the scheduler does not answer"
    begun = time.monotonic()
    with (
        pytest.raises(OutsideFault, match=said),
        dask_executor(dask.address, jobs=1) as (executor, _),
    ):
        run_sweep(asked, executor=executor, jobs=AT_ONCE, progress=progress)
    assert killed
    assert time.monotonic() - begun < 40.0


OTHER = """
from importlib import metadata
true = metadata.version
def version(name):
    if name == "dutytrace":
        {}
    return true(name)
metadata.version = version
"""


@pytest.mark.parametrize(
    ("does", "said"),
    [
        ("raise metadata.PackageNotFoundError(name)", "found no dutytrace on the worker tcp://"),
        ('return "0.0.9"', r"found dutytrace 0\.0\.9 on the worker tcp://"),
    ],
)
def test_a_worker_that_is_not_alike_is_refused(
    dask: DaskCluster, tmp_path: Path, does: str, said: str
):
    """A worker without dutytrace, or with another version: before anything is worked on."""
    (tmp_path / "other.py").write_text(OTHER.format(does), encoding="utf-8")
    dask.worker()
    dask.worker("--preload", str(tmp_path / "other.py"))
    with distributed.Client(dask.address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=30)
    here = importlib.metadata.version("dutytrace")
    with (
        pytest.raises(InputError, match=f"{said}.*expected dutytrace {here} as here"),
        dask_executor(dask.address, jobs=1),
    ):
        pass


def test_what_is_no_cluster_is_said(dask: DaskCluster, monkeypatch: pytest.MonkeyPatch):
    """Nobody there, somebody who never answers, no address, a worker, no workers, no library."""
    monkeypatch.setattr(on_cluster, "_CONNECT_S", 0.6)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        silent = f"tcp://127.0.0.1:{mute.getsockname()[1]}"
        for address in (silent, "tcp://127.0.0.1:1"):
            with (
                pytest.raises(OutsideFault, match="no Dask scheduler can be reached"),
                dask_executor(address, jobs=1),
            ):
                pass
    monkeypatch.setattr(on_cluster, "_CONNECT_S", 4.0)
    for address in ("here", "smoke://127.0.0.1:8786", "127.0.0.1:port"):
        with (
            pytest.raises(InputError, match="expected the address of a Dask scheduler"),
            dask_executor(address, jobs=1),
        ):
            pass
    with (
        pytest.raises(OutsideFault, match="a scheduler without workers"),
        dask_executor(dask.address, jobs=1),
    ):
        pass
    dask.worker()
    with distributed.Client(dask.address, set_as_default=False) as client:
        client.wait_for_workers(1, timeout=30)
        (worker,) = client.nthreads()
    with pytest.raises(InputError, match="found a Worker at"), dask_executor(worker, jobs=1):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(InputError, match=r"pip install 'dutytrace\[cluster\]'"),
        dask_executor(dask.address, jobs=1),
    ):
        pass


@pytest.mark.slow
def test_what_a_worker_cannot_open_is_said(
    dask: DaskCluster, recordings: list[Path], asked: SweepRequest, tmp_path: Path
):
    """A folder that is not there on the worker's machine: which, and on which worker."""
    dask.worker()
    moved = recordings[1].rename(tmp_path / "moved")
    try:
        with (
            dask_executor(dask.address, jobs=1) as (executor, at_once),
            pytest.raises(InputError, match=r"there is no such recording.*was on the worker"),
        ):
            run_sweep(asked, executor=executor, jobs=at_once)
    finally:
        moved.rename(recordings[1])


def test_a_task_that_nobody_wanted_is_done_again(asked: SweepRequest):
    """What comes back without a result, though nobody stopped it, is worked on here."""

    class Left(DaskExecutor):
        def __init__(self) -> None:
            self.count = 0

        def submit_task(self, task):
            self.count += 1
            future: Future = Future()
            future.set_result(None)
            return future

        def check_alive(self) -> None:
            pass

    left = Left()
    found = run_sweep(asked, executor=left, jobs=2)
    assert left.count
    assert _scores(found) == _scores(run_sweep(asked))
