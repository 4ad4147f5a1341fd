"""The commands that ask the writer of a recording for an event: note, acknowledge, shelve.

Without a recorder the event is written at once. As in `logger.cli`: parse, call one function, show
what it returned. Heavy imports stand inside.
"""

import time
from pathlib import Path
from typing import Annotated

import typer

from logger.cli.options import Duration, Instant, Moment, Recording
from logger.cli.terminal import say
from logger.errors import InputError

__all__ = ["acknowledge_alert", "shelve_alert", "write_note"]

AlertNumber = Annotated[int, typer.Argument(metavar="ALERT", help="The alert's number.", min=1)]
Who = Annotated[str, typer.Option(help="Who does this; kept with it.")]


def write_note(
    recording: Recording,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What you did or saw.")],
    at: Annotated[
        Moment | None,
        Instant(or_from_start=True).option(
            "--at", help="When it was: ISO 8601, or from the start, such as 90s; default now."
        ),
    ] = None,
    who: Who = "",
) -> None:
    """Write a note into a recording, live or finished."""
    from logger.store.layout.manifest import iso_utc
    from logger.store.repair.post_request import submit_request
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    at_ns = at.since_epoch_ns(opened.start_ns) if at else None
    # Of a live one the newest row is a little older than now.
    until_ns = max(opened.end_ns, time.time_ns()) if opened.live else opened.end_ns
    if at_ns is not None and not opened.start_ns <= at_ns <= until_ns:
        raise InputError(
            f"--at: found {iso_utc(at_ns)}, expected a time within the recording: "
            f"{iso_utc(opened.start_ns)} to {iso_utc(until_ns)}."
        )
    submit_request(recording, kind="note", text=text, who=who, at_ns=at_ns)
    if at_ns is None and not opened.live:
        say(
            f"{recording}: this recording has ended, so the note stands after its end; --at places "
            "one at the time that it tells of."
        )


def acknowledge_alert(recording: Recording, alert: AlertNumber, who: Who = "") -> None:
    """Acknowledge an alert."""
    from logger.store.repair.post_request import submit_request

    _require_recording(recording, alert)
    submit_request(recording, kind="acknowledge", alert=alert, who=who)


def shelve_alert(
    recording: Recording,
    alert: AlertNumber,
    for_s: Annotated[
        float, Duration().option("--for", help="How long, such as 30min.", default="30min")
    ] = 1800.0,
    who: Who = "",
) -> None:
    """Silence a warning for a stated time; a trip cannot be shelved."""
    from logger.store.repair.post_request import submit_request
    from replay.recording import Recording as Opened

    _require_recording(recording, alert)
    submit_request(recording, kind="shelve", alert=alert, for_s=for_s, who=who)
    if not Opened.open(recording).live:
        say(
            f"{recording}: nobody is recording it, so this silences nothing; it is kept as an "
            f"event, and counts only where the recording is resumed within {for_s:g} s."
        )


def _require_recording(recording: Path, alert: int) -> None:
    """Refuse a folder that is no recording, and an alert that it does not have."""
    from replay.recording import Recording as Opened

    numbers = [one.number for one in Opened.open(recording).read_alerts()]
    if alert not in numbers:
        known = ", ".join(str(number) for number in numbers) or "none"
        raise InputError(f"{recording}: found alert {alert}, expected one of its alerts: {known}.")
