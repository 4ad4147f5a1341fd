"""What the Layout page asks: which steps were done when, and what was typed. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import BaseModel, Field, StringConstraints

from logger.errors import InputError
from logger.layout_tools.traffic_proposal import MarksFile
from logger.store.layout.remote import Location

__all__ = ["LayoutQuery", "LayoutRequest"]

STEP_NAMES: Final = ("rest", "turn", "load", "warm")
ROOM_S: Final = 12.0
"""Taken of the recording before the first step and after the last: marks may be off."""
MAX_STEPS_S: Final = 3600.0

_StepText = Annotated[str, StringConstraints(max_length=40)]


@dataclass(frozen=True, slots=True)
class LayoutRequest:
    """A question whose proposal can be kept."""

    path: Location
    bus: int
    steps: tuple[tuple[str, float, float], ...]
    """Name, begin and end in seconds of the recording, in order of their names."""
    typed: tuple[tuple[str, float], ...]
    positive: Literal["first way", "way back"]

    @property
    def span_s(self) -> tuple[float, float]:
        """The stretch of the recording that holds the steps, in seconds of it."""
        begin = min(begin for _, begin, _ in self.steps) - ROOM_S
        return max(begin, 0.0), max(end for _, _, end in self.steps) + ROOM_S

    def marks(self, first_s: float) -> MarksFile:
        """Return the steps in seconds from the first frame, and what was typed.

        `first_s`: of the first frame, in seconds of the recording.
        """
        steps = {
            name: (max(begin - first_s, 0.0), max(end - first_s, 0.0))
            for name, begin, end in self.steps
        }
        return MarksFile.model_validate({**steps, **dict(self.typed), "positive": self.positive})


class LayoutQuery(BaseModel):
    """A question as the page puts it into an address; what is empty was not done, or not typed."""

    bus: int = Field(default=0, ge=0, le=63)
    rest: _StepText = ""
    """Begin and end in seconds of the recording, "12.5-31"; without an end it is still done."""
    turn: _StepText = ""
    load: _StepText = ""
    warm: _StepText = ""
    ambient: float | None = Field(default=None, ge=-60, le=80)
    """Of the room, in degC."""
    supply: float | None = Field(default=None, gt=0, le=1500)
    """In V."""
    mass: float | None = Field(default=None, ge=0, le=1000)
    """In kg."""
    arm: float | None = Field(default=None, ge=0, le=20)
    """In m."""
    positive: Literal["first way", "way back"] = "first way"
    find: bool = False
    """Propose: until then the page only holds what was marked."""

    def steps(self) -> dict[str, tuple[float, float | None]]:
        """Return the steps that were begun; their end None while they go on.

        Raises
        ------
        InputError
            One is not two times, the first before the second.
        """
        return {
            name: _parse_step(name, text)
            for name in STEP_NAMES
            if (text := getattr(self, name).strip())
        }

    def asked(self, path: Location, buses: int) -> LayoutRequest:
        """Return the question of a recording with so many buses.

        Raises
        ------
        InputError
            Nothing is marked, a step still goes on, they are too far apart, there is no such bus.
        """
        steps = {}
        for name, (begin, end) in self.steps().items():
            if end is None:
                raise InputError(f"{name}: still being done; end it first.")
            steps[name] = (begin, end)
        if not steps:
            raise InputError("found no step, expected at least the turn with its begin and end.")
        if self.bus >= buses:
            raise InputError(f"bus: found {self.bus}, expected 0 to {buses - 1}.")
        typed: Mapping[str, float | None] = {
            "ambient_degC": self.ambient,
            "supply_V": self.supply,
            "mass_kg": self.mass,
            "arm_m": self.arm,
        }
        asked = LayoutRequest(
            path=path,
            bus=self.bus,
            steps=tuple((name, *steps[name]) for name in STEP_NAMES if name in steps),
            typed=tuple((name, value) for name, value in typed.items() if value is not None),
            positive=self.positive,
        )
        if asked.span_s[1] - asked.span_s[0] > MAX_STEPS_S:
            raise InputError(
                f"found steps over {asked.span_s[1] - asked.span_s[0]:.0f} s, expected all within "
                f"{MAX_STEPS_S:.0f} s: they take some minutes."
            )
        return asked


def _parse_step(name: str, text: str) -> tuple[float, float | None]:
    first, separator, last = text.partition("-")
    try:
        begin = float(first)
        end = float(last) if last.strip() else None
    except ValueError:
        separator = ""
        begin, end = 0.0, None
    # NaN is not below; infinity is no time.
    if not separator or not 0.0 <= begin < 1e9 or (end is not None and not begin < end < 1e9):
        raise InputError(
            f"{name}: found {text!r}, expected its begin and its end in seconds of the recording, "
            "such as 12.5-31."
        )
    return begin, end
