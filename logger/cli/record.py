"""`dutytrace record`: records what the joints of a bench report, new or into an older recording.

One command line serves both, for a service that starts at each boot: it begins a recording the
first time and continues it ever after.
"""

import contextlib
import gc
import queue
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.line_printer import LinePrinter, printed_log
from logger.cli.options import (
    DEFAULT_RECORDINGS,
    Duration,
    NewFolder,
    RecordingPath,
    Recordings,
    recording_folder_name,
)
from logger.cli.terminal import say, stop_on_signals
from logger.errors import DutytraceError, InputError
from logger.event_kind import EventKind
from logger.memory import leave_out_pandas, limit_heap_growth

if TYPE_CHECKING:
    from logger.bus.open_buses import OpenBuses
    from logger.limits.limit import LimitSet
    from logger.notify.day_verdict import DayVerdicts
    from logger.notify.delivery_report import DeliveryReport
    from logger.notify.notifier import Notifier
    from logger.recording.record_settings import RecordSettings
    from logger.store.layout.events import Event

__all__ = ["record_joints"]


def record_joints(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH", help="The bench file.")] = None,
    limits: Annotated[Path | None, typer.Option(help="The limits file.")] = None,
    name: Annotated[str | None, typer.Option(help="What the test is called.")] = None,
    note: Annotated[str, typer.Option(help="A first note.")] = "",
    duration: Annotated[
        float | None,
        Duration().option(help="How long, such as 90s, 30min or 6h; default until stopped."),
    ] = None,
    out: NewFolder = None,
    continued: Annotated[
        Path | None,
        RecordingPath().option(
            "--continue",
            metavar="REC",
            help="Continue this recording; with BENCH begin it where there is none yet.",
        ),
    ] = None,
    recordings: Recordings = DEFAULT_RECORDINGS,
    send_stop: Annotated[
        bool,
        typer.Option(
            "--send-stop-on-trip",
            help="Send a joint's stop frame when a limit trips. A convenience, no safety function.",
        ),
    ] = False,
    tell: Annotated[
        Path | None, typer.Option(help="The tell file: whom to tell of alerts.")
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN", help="The plan file of a campaign: followed, never driven."),
    ] = None,
    simulated: Annotated[bool, typer.Option("--simulated", hidden=True)] = False,
) -> None:
    """Record what the joints of a bench report."""
    leave_out_pandas()
    with contextlib.ExitStack() as opened:
        buses: OpenBuses | None = None
        begins = continued is not None and bench is not None and _begins_at(continued)
        if continued is not None and (out or (name and bench is None)):
            raise InputError(
                "--continue: found together with --name or --out; a recording keeps its name "
                "and folder. Omit them, or begin a new recording."
            )
        if continued is None or begins:
            settings, buses = _new_recording(
                opened,
                bench,
                limits,
                plan,
                out=continued or out,
                recordings=recordings,
                name=name,
                note=note,
                duration_s=duration,
                simulated=simulated,
                send_stop_on_trip=send_stop,
            )
        else:
            from logger.recording.record_settings import settings_to_resume

            settings = settings_to_resume(
                continued,
                bench=bench,
                limits_file=limits,
                plan_file=plan,
                note=note,
                duration_s=duration,
                send_stop_on_trip=send_stop,
            )
        _record(settings, buses, tell)


def _begins_at(path: Path) -> bool:
    """Return whether there is no recording yet; what a power cut in its first instant left goes."""
    from logger.store.repair.torn_beginning import remove_torn_beginning

    try:
        return not path.exists() or remove_torn_beginning(path)
    except OSError as fault:
        raise InputError(
            f"{path}: cannot be looked at ({fault.strerror or fault}). Choose another folder."
        ) from fault


def _record(settings: "RecordSettings", buses: "OpenBuses | None", tell: Path | None) -> None:
    """Record, print what happens and tell people of alerts, until the end."""
    from logger.recording.recorder import record

    reports: queue.SimpleQueue[DeliveryReport] = queue.SimpleQueue()
    notifier = None if tell is None else _notifier(tell, settings, reports.put)
    days = None if notifier is None else _day_verdicts(notifier, settings.out)
    printer = LinePrinter()

    def on_event(event: "Event") -> None:
        # People first: the terminal may be held.
        if notifier is not None:
            if event.kind == EventKind.LIMITS_TAKEN_OVER:
                notifier.replace_limits(_limits_in_force(settings.out).by_name)
            if event.kind == EventKind.DAY_OVER and days is not None:
                days.add_day(event)
            else:
                notifier.notify_targets(event)
        if line := _event_line(event):
            printer.put(line)

    limit_heap_growth()
    # Modules loaded so far are never freed: the collector need not go through them again and again.
    gc.freeze()
    ended = None
    try:
        with printed_log():
            ended = record(
                settings,
                stop=stop_on_signals(),
                buses=buses,
                on_event=on_event,
                on_start=lambda path: printer.put(f"Recording into {path}"),
                reports=reports,
                urgent=True,
            )
    finally:
        if days is not None:
            days.close()
        waiting = notifier.close() if notifier is not None else 0
        while not reports.empty():
            printer.put(reports.get().text)
        if waiting:
            printer.put(f"{waiting} messages wait for the next recording with {tell}.")
        if ended is not None:
            unreadable = f", {ended.garbled} unreadable" if ended.garbled else ""
            printer.put(
                f"Recorded {ended.frames} frames in {ended.duration_s:.1f} s ({ended.cause}); "
                f"{ended.dropped} lost, {ended.undecoded} not decoded{unreadable}. "
                f"{ended.path}"
            )
        printer.close()


def _new_recording(
    opened: contextlib.ExitStack,
    bench: Path | None,
    limits: Path | None,
    plan: Path | None,
    *,
    out: Path | None,
    recordings: Path,
    name: str | None,
    note: str,
    duration_s: float | None,
    simulated: bool,
    send_stop_on_trip: bool,
) -> "tuple[RecordSettings, OpenBuses]":
    """Return the settings of a new recording, its limits checked against its bench, and its buses.

    `opened` closes them, unless they are taken.
    """
    from logger.bus.clock import read_clocks
    from logger.bus.open_buses import OpenBuses
    from logger.campaign.plan import check_plan_for_bench, parse_plan
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import LimitSet, check_for_bench, read_limits
    from logger.recording.kept_models import with_kept_models
    from logger.settings_file import read_text

    if bench is None:
        raise InputError("BENCH: found none, expected the bench file (or --continue REC).")
    the_bench = read_bench(bench)
    the_limits = read_limits(limits) if limits else LimitSet()
    the_bench, taken = with_kept_models(the_bench, str(bench), recordings)
    for one in taken:
        say(
            f"Heat of {one.label}: the model kept as {one.finding[:8]} with {one.recording}, since "
            "the bench file has none."
        )
    check_for_bench(the_limits, the_bench, str(limits))
    plan_text, the_plan = "", None
    if plan is not None:
        plan_text = read_text(plan, "plan file")
        the_plan = parse_plan(plan_text, str(plan))
        check_plan_for_bench(the_plan, the_bench, str(plan))
    buses = OpenBuses(
        the_bench, anchor=read_clocks(), where=str(bench), send_stop=send_stop_on_trip
    )
    opened.callback(buses.close)
    # The rest of the program is loaded while the buses are listened to.
    from logger.recording.record_settings import RecordSettings

    title = name or bench.stem
    settings = RecordSettings(
        bench=the_bench,
        where=str(bench),
        limits=the_limits,
        limits_file=limits,
        plan=the_plan,
        plan_text=plan_text,
        out=out or recordings / recording_folder_name(time.time_ns(), title),
        name=title,
        note=note,
        duration_s=duration_s,
        simulated=simulated,
        send_stop_on_trip=send_stop_on_trip,
    )
    return settings, buses


def _notifier(
    file: Path, settings: "RecordSettings", report: "Callable[[DeliveryReport], None]"
) -> "Notifier":
    from logger.notify.message import MessageSource
    from logger.notify.notifier import Notifier
    from logger.notify.settings import read_notify

    waiting = file.with_name(f"{file.name}.waiting")
    source = MessageSource(
        recording=settings.out.name,
        test=settings.name,
        simulated=settings.simulated,
        labels=settings.bench.labels,
        limit_named=settings.limits.by_name,
    )
    return Notifier(read_notify(file), waiting=waiting, source=source, report=report)


def _day_verdicts(notifier: "Notifier", recording: Path) -> "DayVerdicts":
    from logger.notify.day_verdict import DayVerdicts, JudgeProcess

    return DayVerdicts(recording, notifier.notify_targets, JudgeProcess())


def _limits_in_force(recording: Path) -> "LimitSet":
    """Return the limits that a recording has in force; none where that cannot be read."""
    from logger.limits.limit import LimitSet
    from logger.store.layout.manifest import read_manifest

    try:
        return read_manifest(recording).read_limits(str(recording))
    except (DutytraceError, OSError):
        return LimitSet()


def _event_line(event: "Event") -> str:
    """Return an event as it is printed; empty for those that a line of its own tells of."""
    from logger.store.layout.events import headline

    if event.kind in {EventKind.STARTED, EventKind.ENDED, EventKind.NOTIFIED}:
        return ""
    clock = datetime.fromtimestamp(event.time_ns / 1e9, UTC).astimezone().strftime("%H:%M:%S")
    word = headline(event.kind, event.severity)
    number = f" [alert {event.alert}]" if event.alert else ""
    return f"{clock}  {word}: {event.text}{number}"
