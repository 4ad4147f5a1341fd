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
            f"--for: found {for_s:g} s, expected at most {MAX_LISTEN_S / 60:g}min. For longer, record."
        )
    the_bench = read_bench(bench)
    stop = stop_on_signals()
    if not as_json:
        say(f"Listening for {for_s:g} s; nothing is sent.")
    heard = capture_buses(the_bench, where=str(bench), for_s=for_s, stop=stop)
    show(heard.to_json(), _listened_lines(heard), as_json=as_json)
    if not heard.healthy:
        raise typer.Exit(1)


def _listened_lines(heard: "ListenResult") -> Iterator[Line]:
    for one in heard.buses:
        yield from _bus_lines(one)
    for _, text in heard.remarks:
        yield text


def _bus_lines(heard: "BusCapture") -> Iterator[Line]:
    figures = heard.health.statistics
    load = "unknown, no bit rate given" if figures.load is None else f"{figures.load:.1%}"
    yield (
        f"{figures.settings.name} ({figures.settings.channel}): {figures.frames} frames, "
        f"{figures.frames_per_s:.1f} per second; load {load}"
    )
    yield Table(
        ("identifier", "of", "frame", "count", "period", "jitter", "longest gap"),
        [
            (
                one.identifier_text + (" remote" if one.remote else ""),
                {"joint": "", "unknown": "unknown"}.get(one.role, f"{one.role} of ")
                + " or ".join(one.joints),
                one.frame or "–",
                str(one.count),
                *(
                    "–" if seconds is None else f"{seconds * 1e3:.2f} ms"
                    for seconds in (one.period_s, one.jitter_s, one.longest_gap_s)
                ),
            )
            for one in figures.messages
        ],
    )
    for title, counts in (
        ("Not decoded", figures.undecoded),
        ("Error frames", {"in all": figures.error_frames, **figures.error_classes}),
        ("Not received", {"lost by the system": heard.lost, "unreadable": heard.garbled}),
    ):
        listed = [f"{reason} {count}" for reason, count in counts.items() if count]
        if listed:
            yield f"{title}: {', '.join(listed)}"
    yield Table(
        ("requested by another node", "requests", "unanswered"),
        [
            (joint, str(count), str(figures.unanswered_counts[joint]))
            for joint, count in figures.request_counts.items()
        ],
    )
    if figures.silent:
        yield f"Silent: {', '.join(figures.silent)}"
    for hint in heard.health.hints:
        yield f"Hint: {hint}"
    if heard.healthy:
        yield "Healthy."
