"""Joints that do not exist: `dutytrace demo` and `dutytrace simulate`."""

import math
import time
from typing import Annotated

import typer

from logger.cli.options import DEFAULT_RECORDINGS, NewFolder, Recordings, recording_folder_name
from logger.cli.terminal import say, show_progress, stop_on_signals
from logger.errors import InputError

__all__ = ["run_demo", "simulate_test"]

Seed = Annotated[int, typer.Option(help="Chooses payloads and noise.", min=0)]


def run_demo(
    recordings: Recordings = DEFAULT_RECORDINGS,
    port: Annotated[
        int, typer.Option(help="Port of the pages; 0 takes a free one.", min=0, max=65535)
    ] = 8050,
    seed: Seed = 1,
    browser: Annotated[bool, typer.Option(help="Open the pages in a browser.")] = True,
    bench: Annotated[
        bool,
        typer.Option(
            "--bench",
            help="One joint that is commissioned instead: turned, pushed, weighed and clamped.",
        ),
    ] = False,
) -> None:
    """Show two simulated joints, recorded over a real byte path."""
    from logger.simulate.demo import DemoSettings, supervise_demo

    settings = DemoSettings(
        recordings=recordings, port=port, browser=browser, seed=seed, bench=bench
    )
    supervise_demo(settings, stop=stop_on_signals(), report_line=say)


def simulate_test(
    hours: Annotated[float, typer.Option(help="Length of the test in simulated time.")] = 6.0,
    seed: Seed = 1,
    rate: Annotated[float, typer.Option(help="Motion frames a second of each joint.")] = 100.0,
    out: NewFolder = None,
    name: Annotated[str, typer.Option(help="What the test is called.")] = "Simulated endurance",
    recordings: Recordings = DEFAULT_RECORDINGS,
) -> None:
    """Make a long test offline, in simulated time."""
    from logger.importing.import_frames import import_frames
    from logger.limits.limit import parse_limits
    from logger.simulate import scenario
    from logger.simulate.offline import simulate_frames

    if not math.isfinite(hours * 3600e9):
        raise InputError(f"--hours: found {hours}, expected a number of hours.")
    length_ns = round(hours * 3600e9)
    start_ns = (time.time_ns() - length_ns) // 1_000_000_000 * 1_000_000_000
    made = simulate_frames(hours=hours, rate_Hz=rate, seed=seed, start_ns=start_ns)
    path = out or recordings / recording_folder_name(start_ns, name)
    with show_progress(f"Simulating {hours:g} h", length_ns) as at:
        import_frames(
            made,
            bench=scenario.scenario_bench(channel="simulated", rate_Hz=rate),
            limits=parse_limits(scenario.scenario_limits_text(), "limits.toml (simulated)"),
            out=path,
            name=name,
            start_ns=start_ns,
            end_ns=start_ns + length_ns,
            simulated=True,
            progress=lambda time_ns: at(time_ns - start_ns),
            stop=stop_on_signals(),
        )
    say(f"Recorded into {path}")
