"""The limits file: at what a joint must not stay, and for how long.

Turns the text of a limits file into checked limits, and holds them against a bench. A mistake is
answered with the file, the key, what stands there and what would be right. `read_limits` reads
disk; all else is pure. The text travels verbatim into every recording.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, model_validator

from logger.errors import InputError
from logger.joint.bench import Bench
from logger.joint.channels import CHANNELS
from logger.joint.value import ChannelName
from logger.settings_file import Settings, checked, nearest, read_text, read_toml

__all__ = [
    "Level",
    "Limit",
    "LimitSet",
    "Severity",
    "Silence",
    "check_against",
    "limits_from",
    "read_limits",
]

Severity = Literal["warning", "trip"]

_YEAR_S: Final = 366 * 86_400.0

LimitName = Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=60)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Delay = Annotated[float, Field(ge=0, le=_YEAR_S)]


class Level(Settings):
    """A channel must not stay at or beyond a level; in the channel's own unit."""

    name: LimitName
    kind: Literal["level"] = "level"
    severity: Severity
    joint: str | None = None
    """None: every joint that carries the channel."""
    channel: ChannelName
    above: Finite | None = None
    below: Finite | None = None
    drop_off: Finite | None = None
    """Where it counts as gone again; None: at the pick-up itself."""
    on_delay_s: Delay = 0.0
    off_delay_s: Delay = 0.0
    magnitude: bool = False
    """Compare the magnitude; left out, it is what the channel says (current and torque: true)."""

    @model_validator(mode="before")
    @classmethod
    def _magnitude_of_channel(cls, data: Any) -> Any:  # noqa: ANN401 - raw settings
        if isinstance(data, dict) and "magnitude" not in data:
            channel = CHANNELS.get(str(data.get("channel")))
            return {**data, "magnitude": channel is not None and channel.magnitude}
        return data

    @model_validator(mode="after")
    def _fits(self) -> "Level":
        if self.above is None and self.below is None:
            raise ValueError("above: this key is missing; a level limit has above or below.")
        if self.above is not None and self.below is not None:
            raise ValueError(
                f"below: found {self.below:g} beside above = {self.above:g}, expected one of the "
                "two. Write two limits."
            )
        side = "above" if self.rising else "below"
        if self.magnitude and self.pick_up < 0:
            raise ValueError(
                f"{side}: found {self.pick_up:g} with magnitude = true, expected 0 or more: a "
                "magnitude is never negative. Set magnitude = false to tell the directions apart."
            )
        if self.drop_off is None:
            return self
        if (self.drop_off > self.pick_up) if self.rising else (self.drop_off < self.pick_up):
            bound = "at most" if self.rising else "at least"
            raise ValueError(
                f"drop_off: found {self.drop_off:g}, expected {bound} {self.pick_up:g}, the "
                f"{side} of this limit."
            )
        if self.magnitude and self.drop_off < 0:
            raise ValueError(
                f"drop_off: found {self.drop_off:g} with magnitude = true, expected 0 or more: "
                "the limit would never clear."
            )
        return self

    @property
    def rising(self) -> bool:
        """True for `above`, False for `below`."""
        return self.above is not None

    @property
    def pick_up(self) -> float:
        """The level at which (and beyond which) it speaks up."""
        level = self.above if self.above is not None else self.below
        assert level is not None, "_fits has seen to it"
        return level

    @property
    def clears_at(self) -> float:
        """The level at which (and beyond which) it counts as gone: drop-off, or the pick-up."""
        return self.pick_up if self.drop_off is None else self.drop_off


class Silence(Settings):
    """A joint must not be silent for so long."""

    name: LimitName
    kind: Literal["silence"] = "silence"
    severity: Severity
    joint: str | None = None
    """None: every joint."""
    after_s: float = Field(gt=0, le=_YEAR_S)


Limit = Level | Silence

_KINDS: Final[dict[str, type[Level] | type[Silence]]] = {"level": Level, "silence": Silence}


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
    ) -> tuple[Limit, ...]:
        """Return the limits that apply to a joint with these channels, in the file's order.

        A sensor has its own pace: only a silence that names it is one.
        """
        return tuple(
            limit
            for limit in self.limits
            if limit.joint in {None, joint}
            and (
                limit.joint == joint or not sensor
                if isinstance(limit, Silence)
                else limit.channel in channels
            )
        )

    def named(self, name: str) -> Limit | None:
        """Return the limit of that name, or None."""
        return next((limit for limit in self.limits if limit.name == name), None)


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
    limits: list[Limit] = []
    mistakes: list[str] = []
    for index, table in enumerate(file.limit, start=1):
        try:
            limits.append(_limit(table, where=where, index=index))
        except InputError as fault:
            mistakes.append(str(fault))
    seen: dict[str, int] = {}
    for index, table in enumerate(file.limit, start=1):
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


def check_against(limits: LimitSet, bench: Bench, where: str) -> None:
    """Hold limits against the bench that they are to watch.

    Raises
    ------
    InputError
        A limit is on a joint that is not on the bench, or on a channel that its joint (or, where
        it names none, every joint) does not carry.
    """
    carried = {joint.name: bench.channels_of(joint) for joint in bench.joints}
    mistakes: list[str] = []
    for index, limit in enumerate(limits.limits, start=1):
        place = f"{where}: limit[{index}] ({limit.name})"
        if limit.joint is not None and limit.joint not in carried:
            mistakes.append(
                f"{place}.joint: found {limit.joint!r}, expected a joint of the bench."
                f"{nearest(limit.joint, list(carried))}"
            )
        elif isinstance(limit, Level):
            joints = [limit.joint] if limit.joint is not None else list(carried)
            known = sorted({name for joint in joints for name in carried[joint]})
            if limit.channel not in known:
                owner = f"joint {limit.joint!r}" if limit.joint is not None else "no joint"
                lacks = "does not carry" if limit.joint is not None else "of the bench carries"
                mistakes.append(
                    f"{place}.channel: found {limit.channel!r}, which {owner} {lacks}; expected "
                    f"one of {', '.join(known)}."
                )
    if mistakes:
        raise InputError("\n".join(mistakes))


def _limit(table: dict[str, Any], *, where: str, index: int) -> Limit:
    place = f"{where}: limit[{index}]"
    kind = table.get("kind")
    if kind is None:
        raise InputError(f"{place}.kind: this key is missing; expected one of {', '.join(_KINDS)}.")
    model = _KINDS.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise InputError(
            f"{place}.kind: found {kind!r}, expected one of {', '.join(_KINDS)}."
            f"{nearest(str(kind), list(_KINDS))}"
        )
    try:
        return checked(model, table, place)
    except InputError as fault:
        # Each sentence begins with the place and then a key: write them as one key.
        raise InputError(str(fault).replace(f"{place}: ", f"{place}.")) from None
