"""`dutytrace reading`: what somebody read off an instrument and typed, as a sensor."""

from pathlib import Path
from typing import Annotated

import typer

from logger.cli.options import AsJson, Duration, Instant, KeyValue, Moment, Pair, Recording
from logger.cli.terminal import show
from logger.errors import InputError

__all__ = ["add_reading"]


def add_reading(
    recording: Recording,
    reading: Annotated[
        Pair,
        KeyValue().argument(
            metavar="CHANNEL=VALUE",
            help="What was read off, with its unit: 'temperature_ambient_degC=22.5 degC'.",
        ),
    ],
    at: Annotated[
        Moment | None,
        Instant(or_from_start=True).option(
            "--at", help="When it was read: ISO 8601, or from the start, such as 90s."
        ),
    ] = None,
    name: Annotated[str, typer.Option(help="What the instrument is called.")] = "by-hand",
    hold: Annotated[
        float | None,
        Duration().option("--hold", help="How long it holds at most", default="1h"),
    ] = None,
    who: Annotated[str, typer.Option(help="Who read it; kept with it.")] = "",
    as_json: AsJson = False,
) -> None:
    """Add a reading that was taken by hand to a finished recording, as a sensor of its own."""
    from logger.joint.channels import channel_named, explain_channel_name, is_channel
    from logger.store.layout.manifest import iso_utc
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.hand_readings import add_hand_reading
    from replay.measure.reading import parse_quantity

    channel = reading.key
    if not is_channel(channel):
        expected, hint = explain_channel_name(channel)
        raise InputError(f"CHANNEL: found {channel!r}, expected {expected}.{hint}")
    known = channel_named(channel)
    value, _ = parse_quantity(reading.value, [known.ucum], where="VALUE", what=channel)
    if not known.lowest <= value <= known.highest:
        raise InputError(
            f"VALUE: found {value:g} for {channel}, expected {known.lowest:g} to {known.highest:g}."
        )
    time_ns = _time_ns(recording, at)
    add_hand_reading(recording, name, time_ns=time_ns, channel=channel, value=value, hold_s=hold)
    text = f"Read off by hand at {iso_utc(time_ns)}: {channel} = {reading.value} ({name})."
    submit_request(recording, kind="note", text=text, who=who, at_ns=time_ns)
    show(
        {"sensor": name, "channel": channel, "value": value, "time": iso_utc(time_ns)},
        [text],
        as_json=as_json,
    )


def _time_ns(recording: Path, at: Moment | None) -> int:
    from logger.store.layout.manifest import iso_utc
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    if opened.live:
        raise InputError(
            f"{recording}: it is being recorded, expected a finished recording: note the reading "
            "with `dutytrace note` now, and type it with its time when the recording has ended."
        )
    if at is None:
        raise InputError("--at: found none, expected when it was read.")
    time_ns = at.since_epoch_ns(opened.start_ns)
    if not opened.start_ns <= time_ns < opened.end_ns:
        raise InputError(
            f"--at: found {iso_utc(time_ns)}, expected a time within the recording: "
            f"{iso_utc(opened.start_ns)} to {iso_utc(opened.end_ns)}."
        )
    return time_ns
