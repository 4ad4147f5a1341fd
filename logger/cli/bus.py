"""`dutytrace bus`: who talks on a bus, how often, and what is wrong with it."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, Duration
from logger.cli.terminal import Line, Table, say, show, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.bus.listen import BusCapture, ListenResult

__all__ = ["listen_to_buses"]


def listen_to_buses(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="The bench file.")],
    for_s: Annotated[
        float,
        Duration().option("--for", help="How long, such as 5s or 1min.", default="5s"),
    ] = 5.0,
    as_json: AsJson = False,
) -> None:
    """Listen, sending nothing: who talks, how often, how loaded, and what is wrong."""
    from logger.bus.listen import MAX_LISTEN_S, capture_buses
    from logger.joint.bench.bench import read_bench

    if for_s > MAX_LISTEN_S:
        raise InputError(
            f"--for: found {for_s:g} s, expected at most {MAX_LISTEN_S / 60:g}min. "
            "For longer, record."
        )
    the_bench = read_bench(bench)
    stop = stop_on_signals()
    if not as_json:
        say(f"Listening for {for_s:g} s; nothing is sent.")
    result = capture_buses(the_bench, where=str(bench), for_s=for_s, stop=stop)
    show(result.to_json(), _listen_lines(result), as_json=as_json)
    if not result.healthy:
        raise typer.Exit(1)


def _listen_lines(result: "ListenResult") -> Iterator[Line]:
    for capture in result.buses:
        yield from _bus_lines(capture)
    for _, text in result.remarks:
        yield text


def _bus_lines(capture: "BusCapture") -> Iterator[Line]:
    from logger.traffic.diagnosis import unclaimed_sentence

    statistics = capture.health.statistics
    load = "unknown, no bit rate given" if statistics.load is None else f"{statistics.load:.1%}"
    yield (
        f"{statistics.settings.name} ({statistics.settings.channel}): {statistics.frames} frames, "
        f"{statistics.frames_per_s:.1f} per second; load {load}"
    )
    yield Table(
        ("identifier", "of", "frame", "count", "period", "jitter", "longest gap"),
        [
            (
                message.identifier_text + (" remote" if message.remote else ""),
                {"joint": "", "unknown": "unknown"}.get(message.role, f"{message.role} of ")
                + " or ".join(message.joints),
                message.frame or "–",
                str(message.count),
                *(
                    "–" if seconds is None else f"{seconds * 1e3:.2f} ms"
                    for seconds in (message.period_s, message.jitter_s, message.longest_gap_s)
                ),
            )
            for message in statistics.messages
        ],
    )
    for title, counts in (
        ("Not decoded", statistics.undecoded),
        ("Error frames", {"in all": statistics.error_frames, **statistics.error_classes}),
        ("Not received", {"lost by the system": capture.lost, "unreadable": capture.garbled}),
    ):
        listed = [f"{reason} {count}" for reason, count in counts.items() if count]
        if listed:
            yield f"{title}: {', '.join(listed)}"
    yield Table(
        ("requested by another node", "requests", "unanswered"),
        [
            (joint, str(count), str(statistics.unanswered_counts[joint]))
            for joint, count in statistics.request_counts.items()
        ],
    )
    if statistics.silent:
        yield f"Silent: {', '.join(statistics.silent)}"
    for hint in capture.health.hints:
        yield f"Hint: {hint}"
    unclaimed = unclaimed_sentence(statistics)
    if capture.healthy:
        yield f"No fault found, but: {unclaimed}" if unclaimed else "Healthy."
    elif unclaimed:
        yield unclaimed
