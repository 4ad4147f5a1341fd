"""`dutytrace layout ...`: writes a layout, tries it on real traffic, lists the channels."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from logger.cli.options import AsJson, slug
from logger.cli.terminal import Line, Table, redraw, say, show, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.joint.explain.trial import Trial
    from logger.layout_tools.preview import Preview

__all__ = ["layout_from_description", "list_channels", "try_layout"]

_ONCE_S: Final = 2.0
"""How long `layout try --once` listens to a bus."""


def layout_from_description(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A bus description that cantools reads.")
    ],
    message: Annotated[
        list[str] | None, typer.Option(help="A message to take, once for each; default: list them.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="The layout file to write; default NAME.toml here.")
    ] = None,
) -> None:
    """Write one of our layouts from a bus description file, for a person to trim."""
    from logger.layout_tools.dbc_import import (
        describe_messages,
        layout_file_text,
        read_messages,
        shared_channels,
        write_layout_file,
    )

    messages = read_messages(file)
    if not message:
        rows = [
            (name, number, str(length), ", ".join(signals))
            for name, number, length, signals in describe_messages(messages)
        ]
        head = ("message", "identifier", "bytes", "signals")
        show({}, [Table(head, rows), "Take what you need: --message NAME."], as_json=False)
        return
    name = slug(out.stem if out else message[0], "layout")
    out = out or Path(f"{name}.toml")
    if out.stem != name or out.suffix != ".toml":
        raise InputError(
            f"--out: found {str(out)!r}, expected a name of small letters, digits and '-', with "
            f".toml, such as {name}.toml."
        )
    write_layout_file(out, layout_file_text(messages, message, name=name, source=file.name))
    for notice in shared_channels(messages, message):
        say(notice)
    say(f"{out}: written. Look at every line, then: dutytrace layout try {out} --log LOG")


def try_layout(
    layout: Annotated[Path, typer.Argument(metavar="LAYOUT", help="The layout file.")],
    log: Annotated[Path | None, typer.Option(help="A log that python-can reads.")] = None,
    bench: Annotated[
        Path | None, typer.Option(help="A bench file: its buses live, or what explains the log.")
    ] = None,
    joint: Annotated[str | None, typer.Option(help="Only this joint of the bench file.")] = None,
    node: Annotated[int, typer.Option(help="The joint's node, without a bench file.", min=0)] = 0,
    gear_ratio: Annotated[float, typer.Option(help="Its gear, without a bench file.")] = 1.0,
    frames: Annotated[
        int,
        typer.Option(help="Of a log the first, of a bus the newest.", min=1, max=5_000_000),
    ] = 200_000,
    once: Annotated[
        bool, typer.Option("--once", help="Show it once and end; of a bus after 2 s.")
    ] = False,
) -> None:
    """Show the channels of real traffic, again at each save of the layout; nothing is sent."""
    from logger.layout_tools.preview import PreviewSettings, preview_layout

    if log is None and bench is None:
        raise InputError("layout try: found neither --log nor --bench, expected what to try it on.")
    settings = PreviewSettings(
        layout=layout, log=log, bench=bench, joint=joint, node=node, gear_ratio=gear_ratio,
        frames=frames,
    )  # fmt: skip
    with redraw(in_place=sys.stdout.isatty() and not once) as draw:
        for tried in preview_layout(settings, stop=stop_on_signals()):
            if once and tried.fault:
                raise InputError(tried.fault)
            if once and log is None and tried.observed_s < _ONCE_S:
                continue
            draw(_tried_lines(tried), (tried.saved, tried.fault))
            if once:
                return


def _tried_lines(tried: "Preview") -> Iterator[Line]:
    """Yield the channels that a layout decodes from traffic, after what is wrong in the file."""
    yield from tried.fault.splitlines()
    if tried.trial is None:
        yield "Waiting for a save that corrects it."
        return
    if tried.fault:
        yield "(below: the previous layout)"
    yield from _trial_lines(tried.trial)
    yield from tried.remarks
    yield ""
    requests = f", {tried.trial.requests} of them requests" if tried.trial.requests else ""
    times = "once" if tried.saved == 1 else f"{tried.saved} times"
    cut = " The log goes on; --frames takes more." if tried.is_cut else ""
    yield f"{tried.trial.frames} frames{requests}; the layout was read {times}.{cut}"


def _trial_lines(trial: "Trial") -> Iterator[Line]:
    yield Table(
        ("joint", "frame", "count", "period s"),
        [(kind.joint, kind.frame, str(kind.count), _figure(kind.period_s)) for kind in trial.kinds],
    )
    yield ""
    yield Table(
        (
            "joint",
            "channel",
            "values",
            "no value",
            "newest",
            "lowest",
            "highest",
            "jump",
            "impossible",
        ),
        [
            (
                channel.joint,
                channel.channel,
                str(channel.count),
                f"{channel.absent / (channel.count + channel.absent):.1%}"
                if channel.absent
                else "-",
                *map(_figure, (channel.newest, channel.lowest, channel.highest, channel.jump)),
                str(channel.outside or "-"),
            )
            for channel in trial.channels
        ],
    )
    if trial.reasons:
        reasons = ", ".join(f"{reason} {count}" for reason, count in trial.reasons.items())
        yield ""
        yield f"not decoded: {reasons}"
        yield Table(
            ("identifier", "count", "why", "newest"),
            [
                (frame.identifier, str(frame.count), frame.reason, frame.example)
                for frame in trial.not_decoded
            ],
        )
    yield from trial.notices


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"


def list_channels(as_json: AsJson = False) -> None:
    """List the quantities that a channel can carry, their units, and the usual channels."""
    from logger.joint.bench.bench import DEFAULT_HOLD_PERIODS, DEFAULT_HOLD_S
    from logger.joint.bench.joint_settings import CURRENT_CONVENTIONS
    from logger.joint.channels import USUAL_CHANNELS, channel_named
    from logger.joint.quantities import QUANTITIES

    usual = [channel_named(name) for name in USUAL_CHANNELS]
    content = {
        "quantities": [
            {
                "quantity": one.name,
                "unit": one.unit,
                "ucum": one.ucum,
                "units_in_a_layout": list(one.input_units),
                "lowest": one.lowest,
                "highest": one.highest,
            }
            for one in QUANTITIES.values()
        ],
        "usual_channels": [{"channel": one.name, "label": one.label} for one in usual],
        "current_conventions": CURRENT_CONVENTIONS,
    }
    quantities = [
        (
            one.name,
            one.unit,
            ", ".join(one.input_units),
            f"{one.lowest:g} to {one.highest:g}",
            ", ".join(channel.name for channel in usual if channel.quantity == one.name),
        )
        for one in QUANTITIES.values()
    ]
    show(
        content,
        [
            "A channel is <quantity>[_<place>][_setpoint]_<unit>, such as torque_sensor_Nm or "
            "temperature_bearing_degC; the place is a word of yours. Without one it is the joint's "
            "own.",
            Table(("quantity", "unit", "a layout may give", "valid", "usual channels"), quantities),
            "A current is stored as the drive reports it; current.convention in the bench file "
            "says which it is (torque, rated, winding and limits are for that current):",
            Table(("convention", "an ampere is"), list(CURRENT_CONVENTIONS.items())),
            f"A value counts until the next one comes, at most {DEFAULT_HOLD_PERIODS:g} periods "
            f"(period_s) of its frame, {DEFAULT_HOLD_S:g} s where it has none, or hold_s where the "
            "frame says so; after that it is a gap.",
        ],
        as_json=as_json,
    )
