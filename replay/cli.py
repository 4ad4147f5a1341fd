"""The commands over recordings that are there: check, unpack, excursions, tune, export.

As in `logger.cli`: parse, call one function, show what it returned. Heavy imports stand inside.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import (
    DEFAULT_RECORDINGS,
    AnyRecording,
    AsJson,
    BeginTime,
    Duration,
    EndTime,
    Recording,
    Recordings,
)
from logger.cli.terminal import Line, Table, show, show_progress, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from replay.check import CheckResult
    from replay.excursions.excursion import Excursion
    from replay.excursions.not_judged import NotJudged
    from replay.tuning.tune import SweepResult

__all__ = [
    "check_recording",
    "export_span",
    "list_excursions",
    "tune_limits",
    "unpack_recording",
]


def check_recording(recording: AnyRecording, as_json: AsJson = False) -> None:
    """Check whether a recording is complete, and what is missing."""
    from logger.store.layout.remote import location_of
    from replay.check import check_recording
    from replay.recording import Recording as Opened

    opened = Opened.open(location_of(recording))
    found = check_recording(opened)
    show(found.to_json(), _check_lines(found, recording, opened.bench.labels), as_json=as_json)
    if not found.is_complete:
        raise typer.Exit(1)


def unpack_recording(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A packed recording.")],
    recordings: Recordings = DEFAULT_RECORDINGS,
    as_json: AsJson = False,
) -> None:
    """Make a packed recording a folder again, and check whether it is complete."""
    from logger.store.tools.unpack import extract_recording

    with show_progress(f"Unpacking {file.name}", 1.0) as at:
        path = extract_recording(file, recordings, progress=at, stop=stop_on_signals())
    show({"recording": str(path)}, [f"Unpacked into {path}"], as_json=as_json)
    if not as_json:
        check_recording(str(path))


def list_excursions(
    recording: AnyRecording,
    limits: Annotated[
        Path | None, typer.Option(help="Other limits than those that were in force.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List every span beyond a limit, and what led up to it."""
    from logger.limits.limit import check_for_bench, read_limits
    from logger.store.layout.remote import location_of
    from replay.excursions.not_judged import find_not_judged, recorded_not_judged
    from replay.excursions.over_rows import evaluate_joints, find_excursions
    from replay.excursions.recorded import recorded_excursions
    from replay.recording import Recording as Opened

    opened = Opened.open(location_of(recording))
    found: Sequence[Excursion]
    if limits is None:
        found, not_judged = recorded_excursions(opened), recorded_not_judged(opened)
    else:
        chosen = read_limits(limits)
        check_for_bench(chosen, opened.bench, str(limits))
        evaluations = evaluate_joints(opened, chosen)
        found = find_excursions(opened, chosen, evaluations=evaluations)
        not_judged = find_not_judged(opened, evaluations)
    show(
        {
            "excursions": [one.to_json() for one in found],
            "not_judged": [one.to_json() for one in not_judged],
        },
        chain(
            _excursion_lines(found, opened.bench.labels),
            _not_judged_lines(not_judged, opened.bench.labels),
        ),
        as_json=as_json,
    )


def tune_limits(
    recordings: Annotated[
        list[str],
        typer.Argument(
            metavar="REC...",
            help="Recording folders to judge on, or addresses of finished ones (s3://...).",
        ),
    ],
    limits: Annotated[Path, typer.Option(help="The limits file to begin with.")],
    sweep: Annotated[
        Path, typer.Option(help="The sweep file: what is a bad end, and what is to be varied.")
    ],
    table: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write every result into this new .parquet file."),
    ] = None,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the choice into this new .toml file.")
    ] = None,
    jobs: Annotated[
        int, typer.Option(help="Processes; 0: one for each core, 1: only this one.", min=0, max=512)
    ] = 0,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Work on the Dask cluster of this scheduler instead."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Judge candidate limits on recordings: what they catch, how early, how often for nothing."""
    from logger.limits.limit import read_limits
    from logger.store.layout.manifest import package_versions
    from logger.store.layout.remote import location_of
    from replay.tuning import report
    from replay.tuning.cluster import dask_executor
    from replay.tuning.executors import count_cores
    from replay.tuning.save import candidate_limits_text, write_limits
    from replay.tuning.sweep import read_sweep
    from replay.tuning.table import check_writable, write_table
    from replay.tuning.tune import prepare_sweep, run_sweep

    for path, suffix, option in ((table, ".parquet", "--table"), (save, ".toml", "--save")):
        if path is not None:
            check_writable(path, suffix, option)
    if cluster is not None and jobs:
        raise InputError(
            f"--jobs: found {jobs} together with --cluster, expected one of the two: the cluster "
            "decides how many tasks run there."
        )
    base = read_limits(limits)
    asked = prepare_sweep(
        [location_of(one) for one in recordings], read_sweep(sweep, base), str(limits)
    )
    stop = stop_on_signals()
    with (
        dask_executor(cluster, jobs=jobs or count_cores()) as (executor, at_once),
        show_progress(f"Judging {len(asked.sweep.candidates)} candidates", 1.0) as at,
    ):
        found = run_sweep(asked, executor=executor, jobs=at_once, progress=at, stop=stop)
    if table is not None:
        write_table(table, found)
    if save is not None and found.chosen_index is not None:
        today = datetime.now(UTC).strftime("%Y-%m-%d")
        comment = report.choice_provenance(
            found, version=package_versions()["dutytrace"], date=today
        )
        write_limits(
            save,
            candidate_limits_text(
                base, found.request.sweep.candidates[found.chosen_index], comment
            ),
        )
    show(report.sweep_to_json(found), _sweep_lines(found, table, save), as_json=as_json)
    status = report.sweep_outcome(found).status
    if status:
        raise typer.Exit(status)


def export_span(
    recording: Recording,
    out: Annotated[Path, typer.Option(metavar="FILE", help="The new file: .csv or .parquet.")],
    joint: Annotated[list[str] | None, typer.Option(help="Only this joint; several times.")] = None,
    begin: BeginTime = None,
    end: EndTime = None,
    channels: Annotated[
        str | None, typer.Option(help="Only these, such as torque_Nm,speed_rad_s.")
    ] = None,
    every: Annotated[
        float | None,
        Duration().option(
            help="Mean, minimum, maximum and RMS of each step of this length, such as 1s, on the "
            "clock's grid; default every row."
        ),
    ] = None,
    table: Annotated[
        str, typer.Option(help="readings, cycles (recorded by a plan) or files (attached).")
    ] = "readings",
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a span of a recording as CSV or Parquet."""
    from logger.arrays import to_ns
    from replay.export import export
    from replay.export_records import ExportedTable, export_records
    from replay.recording import Recording as Opened

    if table not in [*ExportedTable]:
        expected = ", ".join(ExportedTable)
        raise InputError(f"--table: found {table!r}, expected one of {expected}.")
    which = ExportedTable(table)
    if which is not ExportedTable.READINGS and (channels or every is not None):
        raise InputError(f"--channels and --every belong to readings, not to {table}. Omit them.")
    opened = Opened.open(recording)
    start_ns = begin.since_epoch_ns(opened.start_ns) if begin else None
    end_ns = end.since_epoch_ns(opened.start_ns) if end else None
    joints = joint or ()
    if which is not ExportedTable.READINGS:
        rows = export_records(
            opened, out, which, start_ns=start_ns, end_ns=end_ns, joints=joints, replace=force
        )
    else:
        with show_progress(f"Exporting {recording.name}", 1.0) as at:
            rows = export(
                opened,
                out,
                start_ns=start_ns,
                end_ns=end_ns,
                joints=joints,
                channels=[name.strip() for name in channels.split(",")] if channels else (),
                step_ns=None if every is None else to_ns(every),
                replace=force,
                progress=at,
                stop=stop_on_signals(),
            )
    show({"file": str(out), "rows": rows}, [f"Wrote {rows} rows into {out}"], as_json=as_json)


def _check_lines(found: "CheckResult", recording: str, labels: Mapping[str, str]) -> Iterator[Line]:
    from logger.store.layout.manifest import iso_utc

    yield f"{recording}: {'whole' if found.is_complete else 'not whole'}"
    for joint, rows in found.rows.items():
        # The short name as well: it is what other commands are given.
        label = labels.get(joint, joint)
        named = label if label == joint else f"{label} ({joint})"
        yield f"  {named}: {rows} readings"
    unknown = " and an unknown number" if found.unknown_losses else ""
    yield f"  {found.frames} frames, {found.dropped}{unknown} lost"
    if found.standstills:
        yield (
            f"  the recorder stood still {found.standstills} "
            f"{'time' if found.standstills == 1 else 'times'}, "
            f"{found.longest_standstill_s:.2f} s at the longest"
        )
    if found.garbled:
        yield f"  {found.garbled} lines or frames of the adapters could not be read"
    if found.damaged:
        yield f"  {found.damaged} frames came damaged: their checksum is wrong; not decoded"
    if found.skipped:
        yield f"  {found.skipped} frames at least are missing by the counters that frames carry"
    for gap in found.gaps:
        yield (
            f"  {labels.get(gap.joint, gap.joint)}: nothing for {gap.duration_s:.1f} s from "
            f"{iso_utc(gap.start_ns)}: {gap.cause}"
        )
    for losses in found.positions:
        yield f"  {losses.describe()}"
    for span in found.frames_let_go:
        yield (
            f"  raw frames from {iso_utc(span.from_ns)} to {iso_utc(span.to_ns)} were let go by "
            "the plan's keep rule: that span cannot be decoded again"
        )
    for sentence in found.missing:
        yield f"  missing: {sentence}"


def _excursion_lines(found: "Sequence[Excursion]", labels: Mapping[str, str]) -> Iterator[Line]:
    from logger.store.layout.manifest import iso_utc
    from replay.excursions import words

    if not found:
        yield "Nothing went beyond a limit."
        return
    yield Table(words.EXCURSION_HEAD, [*words.excursion_rows(found, labels)])
    for one in found:
        for sentence in one.nearby:
            yield f"{iso_utc(one.start_ns)} {labels.get(one.joint, one.joint)}: {sentence}"


def _not_judged_lines(found: "Sequence[NotJudged]", labels: Mapping[str, str]) -> Iterator[Line]:
    from replay.excursions import words

    if not found:
        return
    yield "Not judged: what is not listed above may have been beyond these limits all the same."
    yield Table(words.NOT_JUDGED_HEAD, [*words.not_judged_rows(found, labels)])


def _sweep_lines(found: "SweepResult", table: Path | None, save: Path | None) -> Iterator[Line]:
    from replay.tuning import report

    yield Table(report.PARETO_TABLE_HEAD, report.pareto_rows(found) if found.pareto_indices else [])
    yield from report.sweep_outcome(found).sentences
    if table is not None:
        yield f"{table}: {len(found.rows)} results."
    if save is not None and found.chosen_index is not None:
        yield f"{save}: the chosen limits."
