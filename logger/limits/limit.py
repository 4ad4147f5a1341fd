"""The limits file: at what a joint must not stay, and for how long.

Turns the text of a limits file into checked limits, and holds them against a bench. A mistake is
answered with the file, the key, what stands there and what would be right. `read_limits` reads
disk; all else is pure. The text travels verbatim into every recording.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.joint.bench.joint_settings import JointSettings
from logger.limits.bus import DISK_LOW, FRAMES_LOST, Bus, Disk, OfRecorder, of_recorder
from logger.limits.frozen import Frozen
from logger.limits.inverse_time import InverseTime
from logger.limits.kind import Kind, Severity, rated_of
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.rate import Rate
from logger.limits.recorder import STANDING
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import Touch
from logger.limits.tracking import Tracking
from logger.settings_file import Settings, checked, nearest, read_text, read_toml

__all__ = [
    "Level",
    "Limit",
    "LimitSet",
    "OfJoint",
    "Severity",
    "Silence",
    "check_against",
    "in_force",
    "limits_from",
    "limits_of",
    "read_limits",
]

OfJoint = (
    Level
    | RatedLevel
    | Outside
    | InverseTime
    | Thermal
    | Rate
    | Tracking
    | Frozen
    | Touch
    | Silence
)
Limit = OfJoint | Bus | Disk


def _level_of(table: dict[str, Any]) -> type[Kind]:
    """Return which of the level limits a table is, by the key that says where it picks up."""
    if "outside" in table or "inside" in table:
        return Outside
    shares = {"above_rated", "below_rated", "drop_off_rated"}
    return RatedLevel if shares & set(table) else Level


_KINDS: Final[dict[str, Callable[[dict[str, Any]], type[Any]]]] = {
    "level": _level_of,
    "inverse-time": lambda _table: InverseTime,
    "thermal": lambda _table: Thermal,
    "rate": lambda _table: Rate,
    "tracking": lambda _table: Tracking,
    "frozen": lambda _table: Frozen,
    "touch": lambda _table: Touch,
    "silence": lambda _table: Silence,
    "bus": lambda _table: Bus,
    "disk": lambda _table: Disk,
}


class _LimitsFile(Settings):
    format: Literal[1]
    limit: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSet:
    """The limits of one file, in its order."""

    limits: tuple[Limit, ...] = ()
    text: str = "format = 1\n"
    """The limits file verbatim."""

    def for_joint(
        self, joint: str, channels: Sequence[str], *, sensor: bool = False
    ) -> tuple[OfJoint, ...]:
        """Return the limits that apply to a joint with these channels, in the file's order.

        A sensor has its own pace: only a silence that names it is one.
        """
        return tuple(
            limit
            for limit in self.limits
            if not isinstance(limit, OfRecorder)
            and limit.joint in {None, joint}
            and (
                limit.joint == joint or not sensor
                if isinstance(limit, Silence)
                else all(channel in channels for _, channel in limit.needs)
            )
        )

    @property
    def of_recorder(self) -> tuple[OfRecorder, ...]:
        """Those on the recorder itself, and what it always watches."""
        return of_recorder(self.limits)

    def named(self, name: str) -> Limit | None:
        """Return the limit of that name, or None."""
        return next((limit for limit in self.limits if limit.name == name), None)


def in_force(sets: Sequence[tuple[int, LimitSet]], time_ns: int) -> LimitSet:
    """Return which of some limits were in force at an instant.

    `sets` tells since when which were, in order of time; before the first it is the first.
    """
    held = [limits for from_ns, limits in sets if from_ns <= time_ns]
    return held[-1] if held else sets[0][1]


def read_limits(path: Path) -> LimitSet:
    """Return the limits that a file describes.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    return limits_from(read_text(path, "limits file"), str(path))


def limits_from(text: str, where: str) -> LimitSet:
    """Return the limits of a text as a recording carries it; `where` names it in errors.

    Raises
    ------
    InputError
        One sentence for each mistake: file, key, found, expected.
    """
    file = checked(_LimitsFile, read_toml(text, where), where)
    return limits_of(file.limit, where, text=text)


def limits_of(tables: Sequence[dict[str, Any]], where: str, *, text: str) -> LimitSet:
    """Return the limits of the `[[limit]]` tables of a text.

    Raises
    ------
    InputError
        One sentence for each mistake: place, key, found, expected.
    """
    limits: list[Limit] = []
    mistakes: list[str] = []
    for index, table in enumerate(tables, start=1):
        try:
            limits.append(_limit(table, where=where, index=index))
        except InputError as fault:
            mistakes.append(str(fault))
    seen: dict[str, int] = {}
    for index, table in enumerate(tables, start=1):
        name = table.get("name")
        if not isinstance(name, str):
            continue
        if name in seen:
            mistakes.append(
                f"{where}: limit[{index}].name: found {name!r}, which limit[{seen[name]}] has "
                "already; expected one limit of each name."
            )
        seen.setdefault(name, index)
    if mistakes:
        raise InputError("\n".join(mistakes))
    return LimitSet(limits=tuple(limits), text=text)


def check_against(limits: LimitSet, bench: Bench, where: str, *, delays: bool = True) -> None:
    """Hold limits against the bench that they are to watch.

    `delays`: refuse delays and windows that are shorter than frames are apart.

    Raises
    ------
    InputError
        A limit is on a joint that is not on the bench, on a channel that its joint (or, where it
        names none, every joint) does not carry, on a share of a rated value that a joint does not
        have, or has a delay that is shorter than the channel's frames are apart.
    """
    mistakes: list[str] = []
    for index, limit in enumerate(limits.limits, start=1):
        place = f"{where}: limit[{index}] ({limit.name})"
        mistakes += [f"{place}.{said}" for said in _taken_name(limit)]
        if isinstance(limit, OfRecorder):
            continue
        known = [joint.name for joint in bench.joints]
        if limit.joint is not None and limit.joint not in known:
            mistakes.append(
                f"{place}.joint: found {limit.joint!r}, expected a joint of the bench."
                f"{nearest(limit.joint, known)}"
            )
        elif isinstance(limit, Kind):
            mistakes += [f"{place}.{said}" for said in _misfits(limit, bench, delays=delays)]
        elif delays:
            mistakes += [f"{place}.{said}" for said in _impatient(limit, bench)]
    if mistakes:
        raise InputError("\n".join(mistakes))


def _taken_name(limit: Limit) -> Iterator[str]:
    """Yield that a name belongs to what the recorder says of itself."""
    own = {FRAMES_LOST.name: "lost", DISK_LOW.name: "disk"}.get(limit.name)
    watches = limit.watch if isinstance(limit, Bus) else limit.kind
    if limit.name in STANDING or (own is not None and watches != own):
        yield (
            f"name: found {limit.name!r}, which the recorder says of itself; expected another name."
        )


def _impatient(limit: Silence, bench: Bench) -> Iterator[str]:
    """Yield that a joint would be called silent between two of its frames."""
    for joint in bench.joints:
        if limit.joint not in {None, joint.name} or joint.name in bench.sensors:
            continue
        periods = [frame.period_s for frame in bench.layout_of(joint).frame if frame.period_s]
        if periods and limit.after_s <= min(periods):
            yield (
                f"after_s: found {limit.after_s:g}, expected more than {min(periods):g}, the "
                f"period of the quickest frame of {joint.name!r}."
            )


def _misfits(limit: Kind, bench: Bench, *, delays: bool) -> Iterator[str]:
    """Yield what a limit wants of its joints that the bench does not give."""
    joints = [joint for joint in bench.joints if limit.joint in {None, joint.name}]
    carried = {joint.name: bench.channels_of(joint) for joint in joints}
    owner = f"joint {limit.joint!r}" if limit.joint is not None else "no joint"
    known = sorted({name for channels in carried.values() for name in channels})
    absent = False
    for key, channel in limit.needs:
        if channel not in known:
            absent = True
            lacks = "does not carry" if limit.joint is not None else "of the bench carries"
            found = f"found {channel!r}, which" if key != "most_degC" else f"{channel!r} is what"
            yield f"{key}: {found} {owner} {lacks}; expected one of {', '.join(known)}."
    mine = [
        joint
        for joint in joints
        if all(channel in carried[joint.name] for _, channel in limit.needs)
    ]
    if not mine and not absent:
        wanted = " and ".join(channel for _, channel in limit.needs)
        yield f"channel: no joint of the bench carries both {wanted}; expected one that does."
    for joint in mine:
        if limit.joint is not None or joint.name not in bench.sensors:
            yield from _unrated(limit, joint)
        if delays:
            yield from _too_short(limit, joint, bench)


def _unrated(limit: Kind, joint: JointSettings) -> Iterator[str]:
    for key, channel in limit.shares:
        if rated_of(channel, joint.rated) is None:
            quantity = channel.partition("_")[0]
            yield (
                f"{key}: joint {joint.name!r} has no rated {quantity}; expected "
                f"rated = {{ {quantity} = ... }} in the bench file, or the limit in the channel's "
                "own unit."
            )


def _too_short(limit: Kind, joint: JointSettings, bench: Bench) -> Iterator[str]:
    """Yield delays and windows that too few frames of the channel lie within."""
    if not limit.needs:
        return
    channel = limit.needs[0][1]
    periods = [
        frame.period_s
        for frame in bench.layout_of(joint).frame
        if frame.period_s and any(value.channel == channel for value in frame.value)
    ]
    if not periods:
        return
    for key in ("on_delay_s", "off_delay_s"):
        delay_s = float(getattr(limit, key))
        if 0 < delay_s < min(periods):
            yield (
                f"{key}: found {delay_s:g}, expected 0 or at least {min(periods):g}, the period of "
                f"the frame that carries {channel} of {joint.name!r}."
            )
    if isinstance(limit, Rate) and limit.over_s < 2 * min(periods):
        yield (
            f"over_s: found {limit.over_s:g}, expected at least {2 * min(periods):g}, two periods "
            f"of the frame that carries {channel} of {joint.name!r}: one step is no rise."
        )


def _limit(table: dict[str, Any], *, where: str, index: int) -> Limit:
    place = f"{where}: limit[{index}]"
    kind = table.get("kind")
    if kind is None:
        raise InputError(f"{place}.kind: this key is missing; expected one of {', '.join(_KINDS)}.")
    chosen = _KINDS.get(kind) if isinstance(kind, str) else None
    if chosen is None:
        raise InputError(
            f"{place}.kind: found {kind!r}, expected one of {', '.join(_KINDS)}."
            f"{nearest(str(kind), list(_KINDS))}"
        )
    try:
        limit: Limit = checked(chosen(table), table, place)
    except InputError as fault:
        # Each sentence begins with the place and then a key: write them as one key.
        raise InputError(str(fault).replace(f"{place}: ", f"{place}.")) from None
    return limit
