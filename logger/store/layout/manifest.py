"""recording.json: everything that is needed to read a recording again.

Bench, layouts and limits are in it verbatim. Written whole at the start and again at the end; a
recording without an end was cut short, or is still being written. It carries a checksum of its
content: one flipped byte in it would be another gear ratio, in a file that reads as before.
"""

import json
import secrets
import zlib
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import ConfigDict, Field, ValidationError, ValidationInfo, field_validator

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.campaign.plan import parse_plan
from logger.campaign.plan_settings import PlanSettings
from logger.errors import DutytraceError, InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.outside_text import parse_json, read_regular
from logger.settings_file import Settings
from logger.store.layout.files import MANIFEST_FILE, write_atomically
from logger.store.layout.frames_let_go import FramesLetGo
from logger.store.layout.remote import Location

__all__ = [
    "END_CUT_SHORT",
    "MANIFEST_CHANGED",
    "MANIFEST_FORMAT",
    "MAX_SPAN_NS",
    "ClockAnchor",
    "CutFrom",
    "CutShort",
    "LimitsRevision",
    "Manifest",
    "iso_utc",
    "new_manifest",
    "new_recording_id",
    "package_versions",
    "read_manifest",
    "write_manifest",
]

MANIFEST_FORMAT: Final = 1
END_CUT_SHORT: Final = "cut short; sealed afterwards"
"""Cause of the end of a recording that its recorder did not close."""
MANIFEST_CHANGED: Final = (
    f"{MANIFEST_FILE} is not what was written: its checksum differs, so bench, layouts, limits or "
    "times in it may be wrong."
)
"""Is in `Manifest.missing` of a recording whose recording.json was damaged or edited."""
_CHECKSUM_KEY: Final = "crc32"
_MAX_MANIFEST_BYTES: Final = 64 << 20
"""Every set of limits that was ever in force is in it."""
MAX_SPAN_NS: Final = 5 * 366 * 86_400 * 10**9
"""Longest recording: five years. A later end is damage, and what goes through it chunk by chunk
would not end."""
_MAX_ROWS: Final = 2**53

TimeNs = Annotated[int, Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)]
"""Nanoseconds since 1970."""

_VERBATIM: Final = ConfigDict(str_strip_whitespace=False)
"""A file in a recording is kept verbatim, blanks at its ends included."""


class ClockAnchor(Settings):
    """The anchor of the recording's time axis, taken once at the start."""

    boottime_ns: TimeNs
    wall_ns: TimeNs
    """Wall clock at that instant, nanoseconds since 1970."""
    boot_id: str = ""
    """Drawn by the system at its boot: of anchors of one boot the boot times can be compared. ""
    where the system has none, and in recordings of older recorders."""


class LimitsRevision(Settings):
    """Limits that were put into force while recording."""

    model_config = _VERBATIM

    from_ns: TimeNs
    text: str
    """The limits file verbatim."""


class CutFrom(Settings):
    """Which span of which recording this one was cut out of."""

    recording: str
    """Name of its folder."""
    name: str
    started_ns: TimeNs
    from_ns: TimeNs
    to_ns: TimeNs
    cut_ns: TimeNs
    """When the cut was made, nanoseconds since 1970."""


class CutShort(Settings):
    """An end that no recorder wrote, found when the recording was sealed."""

    newest_ns: TimeNs
    """Time of the newest row that is left."""
    lost_s: float = Field(ge=0, le=1e9)
    """For how long after it rows may be missing; a power cut may have cost up to a second."""
    empty_journals: tuple[int, ...] = ()
    """Numbers of the journals of which nothing could be read."""


class Manifest(Settings):
    """The content of recording.json."""

    model_config = _VERBATIM

    format: Literal[1] = MANIFEST_FORMAT
    recording_id: str = Field(default="", pattern=r"^([0-9a-f]{32})?$")
    """Drawn when the recording is made, and stated by each of its parts: it stays when the folder
    is renamed, copied, packed or resumed. "" in the recordings of older recorders."""
    name: str
    note: str = ""
    started_ns: TimeNs
    ended_ns: TimeNs | None = None
    end_cause: str = ""
    rows: dict[str, Annotated[int, Field(ge=0, le=_MAX_ROWS)]] = Field(default_factory=dict)
    """Stream -> number of rows at the end, by which a lost part is noticed."""
    missing: tuple[str, ...] = ()
    """What is known to be lost for good, in sentences: what a crash left unreadable, and
    `MANIFEST_CHANGED`."""
    cut_short: tuple[CutShort, ...] = ()
    """Each time that a recorder ended without closing it, in order; a resume keeps them."""
    frames_let_go: tuple[FramesLetGo, ...] = ()
    """Spans whose raw frames the plan's keep rule has let go, in order of time."""
    clock: ClockAnchor
    resumed: tuple[ClockAnchor, ...] = ()
    """The anchors of the recorders that resumed it later, in order."""
    simulated: bool = False
    bench: str
    """The bench file verbatim."""
    layouts: dict[str, str]
    limits: str = ""
    """The limits file verbatim; empty: none."""
    limits_taken: tuple[LimitsRevision, ...] = ()
    """Limits that were put into force later, in order of time."""
    plan: str = ""
    """The plan file verbatim; empty: none is followed."""
    cut_from: tuple[CutFrom, ...] = ()
    """The recordings that it was cut out of; a cut of a cut names both, the older first."""
    written_by: dict[str, str] = Field(default_factory=dict)

    @field_validator("ended_ns", mode="after")
    @classmethod
    def _check_span(cls, ended_ns: int | None, info: ValidationInfo) -> int | None:
        # Without a valid start there is nothing to compare with, and that is told already.
        started_ns: int = info.data.get("started_ns", TIME_MAX_NS)
        if ended_ns is not None and ended_ns - started_ns > MAX_SPAN_NS:
            raise ValueError("found an end more than five years after the start")
        return ended_ns

    @property
    def limits_in_force(self) -> str:
        """The limits file that was in force last, verbatim; empty: none."""
        return self.limits_taken[-1].text if self.limits_taken else self.limits

    def read_bench(self, where: str) -> Bench:
        """Return the bench that was recorded."""
        return bench_from_texts(self.bench, self.layouts, where=f"{where} (bench)")

    def read_plan(self, where: str) -> PlanSettings | None:
        """Return the plan that is followed, None where there is none."""
        return parse_plan(self.plan, f"{where} (plan)") if self.plan else None

    def read_limits(self, where: str) -> LimitSet:
        """Return the limits that were in force last."""
        return self.limit_sets(where)[-1][1]

    def limit_sets(self, where: str) -> tuple[tuple[int, LimitSet], ...]:
        """Return (from_ns, limits) in order of time, the first from the start on."""
        texts = [(self.started_ns, self.limits or "format = 1")]
        texts += [(revision.from_ns, revision.text) for revision in self.limits_taken]
        return tuple((from_ns, parse_limits(text, f"{where} (limits)")) for from_ns, text in texts)


def new_manifest(
    bench: Bench,
    *,
    name: str,
    started_ns: int,
    limits: LimitSet | None = None,
    note: str = "",
    boottime_ns: int = 0,
    wall_ns: int | None = None,
    boot_id: str = "",
    simulated: bool = False,
    plan: str = "",
) -> Manifest:
    """Return the manifest of a recording that begins.

    `boottime_ns`, `wall_ns` and `boot_id` anchor its clock; without them its time is that of the
    frames.
    """
    return Manifest(
        recording_id=new_recording_id(),
        name=name,
        note=note,
        started_ns=started_ns,
        clock=ClockAnchor(
            boottime_ns=boottime_ns,
            wall_ns=started_ns if wall_ns is None else wall_ns,
            boot_id=boot_id,
        ),
        simulated=simulated,
        bench=bench.text,
        layouts=dict(bench.layout_texts),
        limits=limits.text if limits is not None else "",
        plan=plan,
        written_by=package_versions(),
    )


def new_recording_id() -> str:
    """Return an id that no other recording has: 128 random bits in hexadecimal digits."""
    return secrets.token_hex(16)


def package_versions() -> dict[str, str]:
    """Return the versions of the packages that write a recording."""
    version_text = {}
    for package in ("dutytrace", "python-can", "pyarrow", "numpy"):
        try:
            version_text[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            version_text[package] = "unknown"
    return version_text


def iso_utc(time_ns: int) -> str:
    """Return a time as ISO 8601 in UTC to the millisecond."""
    moment = datetime.fromtimestamp(time_ns // 1_000_000 / 1e3, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def write_manifest(recording: Path, manifest: Manifest) -> None:
    """Write recording.json, whole or not at all; raises OSError."""
    content = manifest.model_dump()
    content["started"] = iso_utc(manifest.started_ns)
    if manifest.ended_ns is not None:
        content["ended"] = iso_utc(manifest.ended_ns)
    content[_CHECKSUM_KEY] = _content_checksum(content)
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    write_atomically(recording / MANIFEST_FILE, lambda file: file.write(text.encode()))


def read_manifest(recording: Location) -> Manifest:
    """Return the content of recording.json.

    Raises
    ------
    InputError
        The folder is no recording, may not be read, or is one of a format that this version cannot
        read.
    """
    path = recording / MANIFEST_FILE
    try:
        if recording.is_file():
            raise InputError(
                f"{recording}: found a file, expected a recording folder. A packed recording is "
                f"made one with `dutytrace unpack {recording}`."
            )
        if not recording.is_dir():
            raise InputError(f"{recording}: there is no such recording folder.")
        content = _read_content(path)
    except FileNotFoundError:
        raise InputError(
            f"{recording}: this folder is no recording: it has no {MANIFEST_FILE}."
        ) from None
    except DutytraceError:
        raise
    except OSError as fault:
        raise InputError(f"{path}: cannot be read ({fault.strerror or fault}).") from None
    if not isinstance(content, dict) or content.get("format") != MANIFEST_FORMAT:
        parsed = content.get("format") if isinstance(content, dict) else type(content).__name__
        raise InputError(
            f"{path}: format: found {parsed!r}, expected {MANIFEST_FORMAT}. A newer dutytrace may "
            "read it."
        )
    written = content.pop(_CHECKSUM_KEY, None)
    changed = written is not None and written != _content_checksum(content)
    content.pop("started", None)
    content.pop("ended", None)
    try:
        manifest = Manifest.model_validate(content)
    except ValidationError as fault:
        first = fault.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputError(f"{path}: {key}: {first['msg']}.") from None
    if changed and MANIFEST_CHANGED not in manifest.missing:
        # Where it is written again it gets a checksum that fits; the sentence is kept with it.
        manifest = manifest.model_copy(update={"missing": (*manifest.missing, MANIFEST_CHANGED)})
    return manifest


def _read_content(path: Location) -> Any:  # noqa: ANN401 - whatever JSON holds
    if isinstance(path, Path):
        content: str | bytes = read_regular(path, max_bytes=_MAX_MANIFEST_BYTES)
    elif path.size > _MAX_MANIFEST_BYTES:
        raise InputError(
            where=str(path), found=f"{path.size} bytes", expected=f"at most {_MAX_MANIFEST_BYTES}"
        )
    else:
        content = path.read_text()
    return parse_json(content, str(path), max_bytes=_MAX_MANIFEST_BYTES)


def _content_checksum(content: dict[str, Any]) -> str:
    """Return the CRC-32 of the content in one agreed form, whatever the file's blanks and order."""
    canonical = json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return f"{zlib.crc32(canonical.encode('ascii')):08x}"
