"""The front door: the commands of every room under one name, and what `import dutytrace` gives.

The commands themselves are in `logger.cli`, `replay` and `dashboard.cli`. The order here is the
order of `dutytrace --help`.

For those who compute further the same recordings come as pandas tables: `dutytrace.open(REC)`, see
`RecordingTables`; `dutytrace.recordings(FOLDER)` lists them. What is wrong about an input is raised
as `InputError`, what outside failed as `OutsideFault`, both `DutytraceError`. They are loaded when
they are first used, so that `--help` answers at once.
"""

import contextlib
import importlib
import logging
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import typer

from dashboard import cli as showing
from logger.cli import (
    bus,
    decode,
    importing,
    layout,
    layout_find,
    limits,
    plan,
    record,
    recording_tools,
    simulate,
    tables,
)
from logger.errors import DutytraceError, InputError, OutsideFault
from logger.memory import compute_on_one_thread, leave_out_pandas
from logger.outside_text import printable
from logger.store.layout.files import is_outside_fault
from replay import cli as reading
from replay import cli_attachments as attachments
from replay import cli_findings as finding
from replay import cli_readings as hand_readings
from replay import cli_requests as requesting
from replay.campaign import cli as campaign
from replay.duty import cli as duty
from replay.heat import cli as heat
from replay.instruments import cli as instruments
from replay.measure import cli as measuring
from replay.motion import cli as motion
from replay.report import cli as reporting
from replay.sheet import cli as sheet

if TYPE_CHECKING:
    from replay.library.recording_list import list_recordings as recordings
    from replay.library.recording_tables import RecordingTables
    from replay.library.recording_tables import open_recording as open

__all__ = [
    "DutytraceError",
    "InputError",
    "OutsideFault",
    "RecordingTables",
    "app",
    "main",
    "open",
    "recordings",
]

_LIBRARY: Final = {
    "open": ("recording_tables", "open_recording"),
    "RecordingTables": ("recording_tables", "RecordingTables"),
    "recordings": ("recording_list", "list_recordings"),
}
"""Name of the library -> its module in `replay.library`, and its name there."""

COMMANDS: dict[str, Callable[..., None]] = {
    "demo": simulate.run_demo,
    "simulate": simulate.simulate_test,
    "record": record.record_joints,
    "dashboard": showing.serve_dashboard,
    "password": showing.write_password_hash,
    "replay": showing.replay_recording,
    "check": reading.check_recording,
    "seal": recording_tools.seal_recording,
    "import": importing.import_log,
    "join": tables.join_sensor_table,
    "clock": instruments.compare_clock,
    "redecode": importing.redecode_recording,
    "note": requesting.write_note,
    "reading": hand_readings.add_reading,
    "attach": attachments.attach_to_recording,
    "acknowledge": requesting.acknowledge_alert,
    "shelve": requesting.shelve_alert,
    "excursions": reading.list_excursions,
    "tune": reading.tune_limits,
    "heat": heat.fit_heat,
    "duty": duty.tell_duty,
    "cycles": campaign.list_cycles,
    "campaign": campaign.show_campaign,
    "findings": finding.list_findings,
    "sheet": sheet.show_sheet,
    "report": reporting.write_report,
    "export": reading.export_span,
    "cut": recording_tools.cut_recording,
    "pack": recording_tools.pack_recording,
    "unpack": reading.unpack_recording,
    "decode": decode.decode_frames,
    "bus": bus.listen_to_buses,
}
LAYOUT_COMMANDS: dict[str, Callable[..., None]] = {
    "from": layout.layout_from_description,
    "try": layout.try_layout,
    "channels": layout.list_channels,
    "find": layout_find.find_layout,
    "confirm": layout_find.confirm_proposal,
}
LIMITS_COMMANDS: dict[str, Callable[..., None]] = {
    "curve": showing.tabulate_curve,
    "check": limits.check_limits,
    "example": limits.print_example_limits,
}

PLAN_COMMANDS: dict[str, Callable[..., None]] = {"check": plan.check_plan}

app = typer.Typer(
    help="Records, shows, alerts on and replays what robot joints report over CAN.",
    epilog="A joint on a bench can strike, crush and burn. This program is no safety function.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
layout_app = typer.Typer(
    help="Write a layout: from a bus description file, found in traffic, or tried at each save.",
    no_args_is_help=True,
)
limits_app = typer.Typer(help="Look at what limits mean.", no_args_is_help=True)
plan_app = typer.Typer(help="Look at the plan of an endurance campaign.", no_args_is_help=True)
measure_app = typer.Typer(
    help="Measure on the bench: play, torque per ampere, ceilings, oscillation, friction, turns. "
    "You or your controller move the joint; nothing is sent.",
    no_args_is_help=True,
)
for group, commands in (
    (app, COMMANDS),
    (layout_app, LAYOUT_COMMANDS),
    (limits_app, LIMITS_COMMANDS),
    (plan_app, PLAN_COMMANDS),
    (measure_app, {**measuring.MEASURE_COMMANDS, "motion": motion.measure_motion}),
):
    for name, command in commands.items():
        group.command(name)(command)
app.add_typer(layout_app, name="layout")
app.add_typer(limits_app, name="limits")
app.add_typer(plan_app, name="plan")
app.add_typer(measure_app, name="measure")


def __getattr__(name: str) -> object:
    """Return a name of the library; its modules load numpy and pandas."""
    if name not in _LIBRARY:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, own_name = _LIBRARY[name]
    try:
        found: object = getattr(importlib.import_module(f"replay.library.{module}"), own_name)
    except ModuleNotFoundError as fault:
        if fault.name != "pandas":
            raise
        raise ModuleNotFoundError(
            f"dutytrace.{name} needs pandas, which is not installed: "
            'pip install "dutytrace[pandas]".',
            name="pandas",
        ) from None
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_LIBRARY})


class _PrintableFormatter(logging.Formatter):
    """Formats what is logged for the terminal: names in it may be anybody's."""

    def format(self, record: logging.LogRecord) -> str:
        return printable(super().format(record), lines=True)


def main() -> None:
    """Run a command; mistakes and faults end in one sentence and an exit status."""
    if logging.lastResort is not None:
        logging.lastResort.setFormatter(_PrintableFormatter())
    try:
        status = app(standalone_mode=False)
    except DutytraceError as fault:
        _say_fault(str(fault))
        sys.exit(fault.exit_status)
    except MemoryError:
        _say_fault("there is not enough memory for this; what was written is whole.")
        sys.exit(OutsideFault.exit_status)
    except OSError as fault:
        # Of a file that no sentence further inside is about: a right, a name, a descriptor.
        where = f"{fault.filename}: " if isinstance(fault.filename, str) else ""
        _say_fault(f"{where}{fault.strerror or fault}.")
        sys.exit((OutsideFault if is_outside_fault(fault) else InputError).exit_status)
    except (typer.Abort, KeyboardInterrupt):
        sys.exit(130)
    except Exception as fault:
        if type(fault).__module__.startswith(("click", "typer")) and hasattr(fault, "show"):
            fault.show()
            sys.exit(getattr(fault, "exit_code", 2))
        raise
    sys.exit(status or 0)


def _say_fault(sentence: str) -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.write(f"dutytrace: {printable(sentence, lines=True)}\n")


def start() -> None:
    """Run a command as a process of its own, which never uses pandas: Arrow would load it."""
    compute_on_one_thread()
    leave_out_pandas()
    main()


if __name__ == "__main__":
    start()
