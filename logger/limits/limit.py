"""The limits file: at what a joint must not stay, and for how long.

Turns the text of a limits file into checked limits, and holds them against a bench. A mistake is
answered with the file, the key, what was found and what was expected. `read_limits` reads
disk; all else is pure. The text travels verbatim into every recording.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from logger.errors import InputError, KeyPath, Mistake
from logger.joint.bench.bench import Bench
from logger.joint.bench.joint_settings import JointSettings
from logger.limits.kind import JointLimit, LimitKind, Severity, rated_value
from logger.limits.kinds import DEFAULT_RECORDER_LIMITS, KIND_NAMES, limit_model, recorder_limits
from logger.limits.recorder import ONE_SHOT_LIMITS
from logger.limits.recorder_limit import RecorderLimit
from logger.settings_file import (
    Settings,
    did_you_mean,
    nearest_name,
    read_text,
    read_toml,
    validate_settings,
)

__all__ = [
    "AnyJointLimit",
    "Limit",
    "LimitSet",
    "Severity",
    "check_for_bench",
    "in_force",
    "limits_from_tables",
    "parse_limits",
    "read_limits",
]

AnyJointLimit = JointLimit
Limit = LimitKind


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
    ) -> tuple[AnyJointLimit, ...]:
        """Return the limits that apply to a joint with these channels, in the file's order.

        `sensor`: it is an instrument beside the joints, which only limits that name it judge.
        """
        return tuple(
            limit
            for limit in self.limits
            if isinstance(limit, JointLimit)
            and limit.joint in ({joint} if sensor else {None, joint})
            and all(channel in channels for _, channel in limit.needed_channels)
        )

    @property
    def recorder_limits(self) -> tuple[RecorderLimit, ...]:
        """The limits on the recorder itself, those that always apply included."""
        return recorder_limits(self.limits)

    def by_name(self, name: str) -> Limit | None:
        """Return the limit of that name, or None."""
        return next((limit for limit in self.limits if limit.name == name), None)


def in_force(sets: Sequence[tuple[int, LimitSet]], time_ns: int) -> LimitSet:
    """Return which of some limits were in force at an instant.

    `sets`: (start, limits), in order of time; before the first start the first set applies.
    """
    begun_sets = [limits for from_ns, limits in sets if from_ns <= time_ns]
    return begun_sets[-1] if begun_sets else sets[0][1]


def read_limits(path: Path) -> LimitSet:
    """Return the limits that a file describes.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    return parse_limits(read_text(path, "limits file"), str(path))


def parse_limits(text: str, where: str) -> LimitSet:
    """Return the limits of a text as a recording carries it; `where` names it in errors.

    Raises
    ------
    InputError
        One sentence for each mistake: file, key, found, expected.
    """
    file = validate_settings(_LimitsFile, read_toml(text, where), where)
    return limits_from_tables(file.limit, where, text=text)


def limits_from_tables(tables: Sequence[dict[str, Any]], where: str, *, text: str) -> LimitSet:
    """Return the limits of the `[[limit]]` tables of a text.

    Raises
    ------
    InputError
        One sentence for each mistake: place, key, found, expected.
    """
    limits: list[Limit] = []
    mistakes: list[Mistake] = []
    for index, table in enumerate(tables):
        try:
            limits.append(_validate_limit(table, where=where, index=index))
        except InputError as fault:
            mistakes += fault.mistakes
    index_by_name: dict[str, int] = {}
    for index, table in enumerate(tables):
        name = table.get("name")
        if not isinstance(name, str):
            continue
        if name in index_by_name:
            mistakes.append(
                Mistake(
                    where=where,
                    key=("limit", index, "name"),
                    found=repr(name),
                    expected="one limit of each name",
                    problem=f"found {name!r}, which limit[{index_by_name[name] + 1}] has already; "
                    "expected one limit of each name.",
                )
            )
        index_by_name.setdefault(name, index)
    if mistakes:
        raise InputError(mistakes=mistakes)
    return LimitSet(limits=tuple(limits), text=text)


def check_for_bench(limits: LimitSet, bench: Bench, where: str, *, delays: bool = True) -> None:
    """Hold limits against the bench that they are to watch.

    `delays`: refuse delays and windows that are shorter than frames are apart as well.

    Raises
    ------
    InputError
        A limit is on a joint that is not on the bench, on a channel that its joint (or, where it
        names none, every joint) does not carry, on a share of a rated value that a joint does not
        have, or has a delay that is shorter than the channel's frames are apart.
    """
    mistakes: list[Mistake] = []
    for index, limit in enumerate(limits.limits):
        limit_mistakes = [*_reserved_name_mistakes(limit), *_wrong_on(limit, bench, delays=delays)]
        mistakes += [
            replace(mistake, where=where, key=("limit", index, *mistake.key), name=limit.name)
            for mistake in limit_mistakes
        ]
    if mistakes:
        raise InputError(mistakes=mistakes)


def _wrong_on(limit: Limit, bench: Bench, *, delays: bool) -> Iterator[Mistake]:
    """Yield what is wrong about a limit on that bench; keys are those of the limit."""
    if not isinstance(limit, JointLimit):
        return
    joint_names = [joint.name for joint in bench.joints]
    if limit.joint is not None and limit.joint not in joint_names:
        yield Mistake(
            key=("joint",),
            found=repr(limit.joint),
            expected="a joint of the bench",
            hint=did_you_mean(limit.joint, joint_names).strip(),
        )
    else:
        yield from _bench_mistakes(limit, bench, delays=delays)


def _reserved_name_mistakes(limit: Limit) -> Iterator[Mistake]:
    """Yield a mistake for each name that is reserved for the recorder's own limits."""
    reserved = next(
        (one.is_watched_key for one in DEFAULT_RECORDER_LIMITS if one.name == limit.name), None
    )
    watches = limit.is_watched_key if isinstance(limit, RecorderLimit) else ""
    if limit.name in ONE_SHOT_LIMITS or (reserved is not None and watches != reserved):
        yield Mistake(
            key=("name",),
            found=repr(limit.name),
            expected="another name",
            problem=f"found {limit.name!r}, which the recorder says of itself; expected another "
            "name.",
        )


def _bench_mistakes(limit: JointLimit, bench: Bench, *, delays: bool) -> Iterator[Mistake]:
    """Yield what a limit wants of its joints that the bench does not give."""
    joints = [
        joint
        for joint in bench.joints
        if limit.joint in ({joint.name} if joint.name in bench.sensors else {None, joint.name})
    ]
    carried = {joint.name: bench.channels_of(joint) for joint in joints}
    owner = f"joint {limit.joint!r}" if limit.joint is not None else "no joint"
    carried_names = sorted({name for channels in carried.values() for name in channels})
    has_missing = False
    for key, channel in limit.needed_channels:
        if channel not in carried_names:
            has_missing = True
            lacks = "does not carry" if limit.joint is not None else "of the bench carries"
            # A key that names no channel may want one all the same.
            names = isinstance(getattr(limit, key), str)
            found_text = f"found {channel!r}, which" if names else f"{channel!r} is what"
            expected = f"one of {', '.join(carried_names)}"
            instruments = [
                joint.name
                for joint in bench.joints
                if limit.joint is None
                and joint.name in bench.sensors
                and channel in bench.channels_of(joint)
            ]
            yield Mistake(
                key=(key,),
                found=repr(channel),
                expected=expected,
                problem=f"{found_text} {owner} {lacks}; expected {expected}.",
                hint=f"The instrument {instruments[0]!r} does: name it with joint = "
                f"{instruments[0]!r}."
                if instruments
                else "",
            )
    carrying_joints = [
        joint
        for joint in joints
        if all(channel in carried[joint.name] for _, channel in limit.needed_channels)
    ]
    if limit.needed_channels and not carrying_joints and not has_missing:
        needed_text = " and ".join(channel for _, channel in limit.needed_channels)
        yield Mistake(
            key=("channel",),
            problem=f"no joint of the bench carries both {needed_text}; expected one that does.",
        )
    for joint in carrying_joints:
        yield from _unrated_mistakes(limit, joint)
        yield from _out_of_pace(limit, joint, bench, delays=delays)


def _unrated_mistakes(limit: JointLimit, joint: JointSettings) -> Iterator[Mistake]:
    for key, channel in limit.needs_rated:
        if rated_value(channel, joint.rated) is None:
            quantity = channel.partition("_")[0]
            expected = (
                f"rated = {{ {quantity} = ... }} in the bench file, or the limit in the channel's "
                "own unit"
            )
            yield Mistake(
                key=(key,),
                expected=expected,
                problem=f"joint {joint.name!r} has no rated {quantity}; expected {expected}.",
            )


def _out_of_pace(
    limit: JointLimit, joint: JointSettings, bench: Bench, *, delays: bool
) -> Iterator[Mistake]:
    """Yield what does not go with how often frames come: of its channel, if it is on one."""
    channels = {channel for _, channel in limit.needed_channels[:1]}
    periods = [
        frame.period_s
        for frame in bench.layout_of(joint).frame
        if frame.period_s
        and (not channels or any(value.channel in channels for value in frame.value))
    ]
    if periods:
        yield from limit.mistakes_of_rate(joint.name, min(periods))
        if delays:
            yield from limit.pace_mistakes(joint.name, min(periods))


def _validate_limit(table: dict[str, Any], *, where: str, index: int) -> Limit:
    limit_where: KeyPath = ("limit", index)
    kind, known = table.get("kind"), f"one of {', '.join(KIND_NAMES)}"
    model = limit_model(table) if isinstance(kind, str) else None
    if model is None:
        key = (*limit_where, "kind")
        if kind is None:
            problem = f"this key is missing; expected {known}."
            raise InputError(problem, where=where, key=key, expected=known)
        hint = nearest_name(str(kind), KIND_NAMES).strip()
        raise InputError(where=where, key=key, found=repr(kind), expected=known, hint=hint)
    limit: Limit = validate_settings(model, table, where, within=limit_where)
    return limit
