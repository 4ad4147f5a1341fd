"""The types of options: durations, instants, pairs and recording folders, each checked once.

A `ParameterType` converts the text of an option into a value, or refuses it in one sentence that
begins with the option's name (exit status 2). Pure, but that it asks whether a folder exists.
"""

import re
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Final, Generic, NamedTuple, TypeVar

import typer

from logger.errors import InputError

__all__ = [
    "DEFAULT_RECORDINGS",
    "AnyRecording",
    "AsJson",
    "BeginTime",
    "Duration",
    "EndTime",
    "FollowingRecordings",
    "Instant",
    "JointName",
    "KeyValue",
    "Moment",
    "NewFolder",
    "Pair",
    "ParameterType",
    "Recording",
    "RecordingPath",
    "Recordings",
    "Shift",
    "recording_folder_name",
    "slug",
]

DEFAULT_RECORDINGS: Final = Path("recordings")
_UNITS_S: Final = {"s": 1, "min": 60, "h": 3600, "d": 86400}
_COUNTED: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)?\s*")
_SHIFT: Final = re.compile(r"\s*([+-]?)(\d{1,18}(?:\.\d{1,9})?)\s*(ms|s|min|h|d)?\s*")
_UNITS_NS: Final = {"ms": 10**6, **{unit: 10**9 * counted for unit, counted in _UNITS_S.items()}}
MAX_SHIFT_NS: Final = 36_525 * 86_400 * 10**9
_FRACTION: Final = re.compile(r"(?<=[T ]\d\d:\d\d:\d\d)[.,](\d{1,9})(?!\d)")
"""The digits behind the point of a second, of an instant in ISO 8601."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

Converted = TypeVar("Converted")


class ParameterType(ABC, Generic[Converted]):
    """One type of option: converts its text, and names it in `--help`."""

    metavar = "TEXT"
    parser: Callable[[str], Any] | None = str
    """How typer parses the text before `convert`; None: by the annotation."""

    @abstractmethod
    def convert(self, text: str, where: str) -> Converted:
        """Return the value of a text.

        Raises
        ------
        InputError
            The text has no value of this type; the sentence begins with `where`, the option.
        """

    def option(
        self,
        *names: str,
        help: str,
        metavar: str | None = None,
        default: str = "",
    ) -> Any:  # noqa: ANN401 - typer's Option() is typed so
        """Return an option of this type, for `Annotated`; each item of a list is converted.

        `default`: the default as text, where it differs from how Python writes it.
        """
        return typer.Option(
            *names,
            help=f"{help.removesuffix('.')}; default {default}." if default else help,
            metavar=metavar or self.metavar,
            show_default=not default,
            parser=self.parser,
            callback=self._on_value,
        )

    def argument(
        self,
        *,
        help: str,
        metavar: str | None = None,
    ) -> Any:  # noqa: ANN401 - typer's Argument() is typed so
        """Return an argument of this type, for `Annotated`."""
        return typer.Argument(
            help=help, metavar=metavar or self.metavar, parser=self.parser, callback=self._on_value
        )

    # A callback and not the parser converts: what a parser raises as a ValueError is wrapped into
    # typer's words, and only a callback learns the option's name.
    def _on_value(
        self, _context: typer.Context, param: typer.CallbackParam, value: object
    ) -> Converted | list[Converted] | None:
        if value is None:
            return None
        if isinstance(value, list | tuple):
            return [self.convert(str(item), param.opts[0]) for item in value]
        return self.convert(str(value), param.opts[0])


class Duration(ParameterType[float]):
    """A duration such as 90s, 30min or 6h, in seconds; a plain number is seconds."""

    metavar = "DURATION"

    def convert(self, text: str, where: str) -> float:
        """Return the duration in seconds; greater than zero."""
        counted = _counted_s(text)
        if counted is None or counted < 1e-9:
            raise InputError(f"{where}: found {text!r}, expected a time such as 90s, 30min or 6h.")
        return counted


class Shift(ParameterType[int]):
    """A time by which something is moved, either way: -1.7s, 250ms, 2h; in nanoseconds."""

    metavar = "DURATION"

    def convert(self, text: str, where: str) -> int:
        """Return the shift, exact to the nanosecond."""
        match = _SHIFT.fullmatch(text)
        if match is None:
            raise InputError(f"{where}: found {text!r}, expected a time such as -1.7s or 250ms.")
        shift_ns = Decimal(match[2]) * _UNITS_NS[match[3] or "s"]
        if shift_ns > MAX_SHIFT_NS:
            raise InputError(f"{where}: found {text!r}, expected at most 100 years.")
        return int(shift_ns) * (-1 if match[1] == "-" else 1)


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant: since 1970 (UTC), or since the start of a recording."""

    ns: int
    from_start: bool = False

    def since_epoch_ns(self, start_ns: int) -> int:
        """Return it in nanoseconds since 1970, for a recording that starts at `start_ns`."""
        return self.ns + start_ns if self.from_start else self.ns


class Instant(ParameterType[Moment]):
    """An instant in ISO 8601 (UTC if it names no zone), or a duration from a recording's start."""

    metavar = "TIME"

    def __init__(self, *, or_from_start: bool = False) -> None:
        self._or_from_start = or_from_start

    def convert(self, text: str, where: str) -> Moment:
        """Return the instant, exact to the nanosecond."""
        counted = _counted_s(text) if self._or_from_start else None
        if counted is not None:
            return Moment(round(counted * 1e9), from_start=True)
        # A datetime has no more than microseconds: the digits of the second are read beside it.
        fraction = _FRACTION.search(text)
        whole_seconds = text if fraction is None else text.replace(fraction[0], "", 1)
        try:
            moment = datetime.fromisoformat(whole_seconds.strip())
        except ValueError:
            also = ", or from the start, such as 90s or 2h" if self._or_from_start else ""
            raise InputError(
                f"{where}: found {text!r}, expected a time such as 2026-11-25T09:30:00Z{also}."
            ) from None
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        since = moment - _EPOCH
        return Moment(
            (since.days * 86_400 + since.seconds) * 10**9
            + (since.microseconds * 1000 if fraction is None else int(fraction[1].ljust(9, "0")))
        )


class Pair(NamedTuple):
    """Both sides of KEY=VALUE."""

    key: str
    value: str


class KeyValue(ParameterType[Pair]):
    """NAME=VALUE, neither of them empty."""

    metavar = "NAME=VALUE"

    def convert(self, text: str, where: str) -> Pair:
        """Return both sides without surrounding blanks."""
        key, equals, value = (part.strip() for part in text.partition("="))
        if not (equals and key and value):
            raise InputError(f"{where}: found {text!r}, expected NAME=VALUE.")
        return Pair(key, value)


class RecordingPath(ParameterType[Path]):
    """A local folder, existing or new; an address is refused (its path would begin with `s3:/`)."""

    metavar = "FOLDER"
    parser = None

    def convert(self, text: str, where: str) -> Path:
        """Return the path."""
        path = Path(text)
        if re.match(r"[a-z][a-z0-9+.-]+:/", str(path)) and not path.exists():
            raise InputError(
                f"{str(path).replace(':/', '://', 1)}: found an address, expected a folder here. "
                "From an address recordings are read by `dutytrace check`, `excursions` and `tune`."
            )
        return path


Recordings = Annotated[
    Path, RecordingPath().option("--recordings", help="Folder that holds the recordings.")
]
NewFolder = Annotated[Path | None, RecordingPath().option(help="The new recording folder.")]
Recording = Annotated[Path, RecordingPath().argument(metavar="REC", help="A recording folder.")]
AnyRecording = Annotated[
    str,
    typer.Argument(
        metavar="REC", help="A recording folder, or the address of a finished one (s3://...)."
    ),
]
BeginTime = Annotated[
    Moment | None,
    Instant(or_from_start=True).option("--from", help="ISO 8601, or from the start, such as 90s."),
]
EndTime = Annotated[
    Moment | None,
    Instant(or_from_start=True).option("--to", help="The same; default the end."),
]
FollowingRecordings = Annotated[
    list[Path],
    typer.Argument(metavar="REC...", help="Recordings of one joint that follow each other."),
]
JointName = Annotated[str | None, typer.Option(help="The joint; needed where there are several.")]
AsJson = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


def slug(text: str, default: str) -> str:
    """Return a text in small letters, digits and '-'; `default` where nothing is left of it."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or default


def recording_folder_name(start_ns: int, name: str) -> str:
    """Return the name of a new recording's folder: its start (UTC) and the name of the test."""
    stamp = datetime.fromtimestamp(start_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    return f"{stamp}-{slug(name, '')[:48] or 'recording'}"


def _counted_s(text: str) -> float | None:
    """Return a number with a unit of time in seconds; None for any other text."""
    match = _COUNTED.fullmatch(text)
    return float(match[1]) * _UNITS_S[match[2] or "s"] if match else None
