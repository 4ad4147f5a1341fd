"""A finding: one result of one evaluation of a joint, as it is kept in a recording.

Never edited: a better one replaces it and names it. What is the same error in several findings (an
arm's length, a scale) is named by its source, so that it cancels in a difference and does not
shrink in a mean.
"""

from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import Field, StringConstraints, ValidationInfo, field_validator, model_validator

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.settings_file import SettingError, Settings

__all__ = [
    "FINDING_FORMAT",
    "FINDING_ID_PATTERN",
    "TORQUE_CONSTANT",
    "Finding",
    "FindingSpan",
    "FoundQuantity",
    "IntervalBy",
    "KeptModel",
    "Method",
    "TypedValue",
    "UncertaintyPart",
    "current_findings",
    "is_repetition",
    "torque_basis_of",
]

FINDING_FORMAT: Final = 2
"""The newest; 2: with a fitted model. Others are written as 1, which older programs read."""
FINDING_ID_PATTERN: Final = r"^[0-9a-f]{32}$"
TORQUE_CONSTANT: Final = "torque_constant_Nm_A"
"""Condition of a quantity: N.m for one ampere, by which it was made from a recorded current."""
_MOST_ITEMS: Final = 200

Word = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]
"""Name of a kind or a quantity: small letters, digits and `_`."""
Line = Annotated[str, StringConstraints(max_length=400)]
"""A short text in someone's own words."""
Unit = Annotated[str, StringConstraints(pattern=r"^[!-~]{1,20}$")]
"""UCUM (ucum.org): N.m, Cel, ', K/W; 1 for a ratio."""
Scalar = bool | float | Line
TimeNs = Annotated[int, Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)]


class IntervalBy(StrEnum):
    """How a 95 % interval was made."""

    STUDENT = "student"
    """Combined standard uncertainty times Student's t of its degrees of freedom."""
    NORMAL = "normal"
    """Combined standard uncertainty times 1.96: its parts are known beforehand."""
    CURVATURE = "curvature"
    """By the curvature of a likelihood or posterior at its mode."""
    PROFILE = "profile"
    """By the profile of a likelihood or posterior."""
    DRAWS = "draws"
    """By draws of a posterior or a bootstrap, each put through the model."""
    GRID = "grid"
    """By a likelihood summed over a grid."""
    BOUNDS = "bounds"
    """By bounds that hold for certain, such as one division of a scale."""


class UncertaintyPart(Settings):
    """What one source of error contributes to a quantity."""

    source: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    """Id of the source: "scale K-17", "arm 344 mm", "repeatability"."""
    contribution: float
    """Sensitivity times the source's standard uncertainty, in the quantity's unit. Signed: of two
    quantities that one error moves in opposite directions one is negative."""
    degrees_of_freedom: Annotated[float, Field(gt=0)] | None = None
    """None: known beforehand."""
    shared: bool = False
    """The same error in every finding that names this source; False: drawn anew for each."""


class FoundQuantity(Settings):
    """One quantity of a finding, with its uncertainty."""

    name: Word
    value: float
    unit: Unit
    standard_uncertainty: float = Field(ge=0)
    low: float
    """Lower end of the 95 % interval."""
    high: float
    degrees_of_freedom: Annotated[float, Field(gt=0)] | None = None
    """Effective ones of the whole; None: unlimited, or the interval was made otherwise."""
    interval_by: IntervalBy
    parts: tuple[UncertaintyPart, ...] = Field(default=(), max_length=_MOST_ITEMS)
    """None: one part of its own, which is `standard_uncertainty`."""
    conditions: dict[Line, Scalar] = Field(default_factory=dict, max_length=40)
    """Under which it holds, unit in the key: ambient_degC, supply_V, holding, mounting; and
    `held_by`, what kept it from being more: current, torque, speed, supply, temperature,
    set-point; several that cannot be told apart with a slash between, current/torque; and
    `torque_constant_Nm_A`, by which a torque was made from current (see `torque_basis_of`)."""

    @model_validator(mode="after")
    def _check_interval(self) -> Self:
        if self.low > self.high:
            raise SettingError("low", found=f"{self.low:g}", expected=f"at most {self.high:g}")
        return self


class Method(Settings):
    """How a finding was made."""

    name: Line
    """In words: "temperatures of a two-node network, likelihood of the counts"."""
    source: Line = ""
    """Standard and clause, or paper, as far as it was read; "": our own."""


class FindingSpan(Settings):
    """A span of a recording that a finding stands on."""

    recording_id: str = Field(default="", pattern=r"^([0-9a-f]{32})?$")
    """Of its recording.json; "" of a recording of an older recorder."""
    recording: Annotated[str, StringConstraints(max_length=200)]
    """Name of its folder when the finding was made."""
    from_ns: TimeNs
    to_ns: TimeNs

    @field_validator("to_ns")
    @classmethod
    def _ends_later(cls, to_ns: int, info: ValidationInfo) -> int:
        from_ns = info.data.get("from_ns", to_ns)
        if to_ns < from_ns:
            raise SettingError("", found=f"{to_ns}", expected=f"at least from_ns, {from_ns}")
        return to_ns


class TypedValue(Settings):
    """What a person typed in: kilograms on a scale, metres of arm."""

    name: Line
    value: Scalar
    unit: Unit | Literal[""] = ""
    standard_uncertainty: Annotated[float, Field(ge=0)] | None = None


class KeptModel(Settings):
    """A joint's fitted model of heat, with the covariance of what its fit left open."""

    thermal: ThermalSettings
    """As it would stand in the bench file."""
    ambient_degC: float = Field(ge=-60, le=200)  # noqa: N815 - the unit's own spelling
    """Mean over what it was fitted to, with the standby rise in it where `thermal` has none."""
    torque_per_ampere: float | None = Field(default=None, gt=0)
    """In N.m/A, as it was declared then."""


class Finding(Settings):
    """One result of one evaluation.

    An evaluation leaves `id`, `made_ns` and `program` as they are: `keep_finding` fills them in.
    """

    format: Literal[1, 2] = 1
    id: str = Field(default="", pattern=r"^([0-9a-f]{32})?$")
    """Drawn when it is kept; "": not kept yet."""
    replaces: Annotated[str, StringConstraints(pattern=FINDING_ID_PATTERN)] | None = None
    """Id of the finding that this one stands in place of."""
    kind: Word
    """The evaluation: heat, duty, backlash, torque, ceiling."""
    joint: Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)]
    serial: Annotated[str, StringConstraints(max_length=80)] = ""
    """Of the specimen, as the bench file of the recording had it."""
    type: Annotated[str, StringConstraints(max_length=80)] = ""
    quantities: tuple[FoundQuantity, ...] = Field(min_length=1, max_length=_MOST_ITEMS)
    method: Method
    settings: dict[str, Scalar] = Field(default_factory=dict, max_length=80)
    """With which it was evaluated."""
    spans: tuple[FindingSpan, ...] = Field(default=(), max_length=_MOST_ITEMS)
    typed: tuple[TypedValue, ...] = Field(default=(), max_length=_MOST_ITEMS)
    heat_model: KeptModel | None = None
    """Of an evaluation of heat: the whole fitted model, to be used as one."""
    program: Annotated[str, StringConstraints(max_length=80)] = ""
    """Version that made it: "dutytrace 1.4.0"."""
    made_ns: TimeNs = 0
    """When it was kept, nanoseconds since 1970."""
    who: Annotated[str, StringConstraints(max_length=80)] = ""

    @model_validator(mode="after")
    def _check_format(self) -> Self:
        if self.heat_model is not None and self.format == 1:
            raise SettingError("format", found="1", expected="2, since it has a fitted model")
        return self

    @property
    def ended_ns(self) -> int:
        """The end of what it stands on; of one without spans when it was kept."""
        return max((span.to_ns for span in self.spans), default=self.made_ns)

    def overlaps(self, from_ns: int, to_ns: int) -> bool:
        """Return whether it stands on anything of [from_ns, to_ns)."""
        return any(span.from_ns < to_ns and span.to_ns > from_ns for span in self.spans)


def torque_basis_of(unit: str, per_ampere: float | None) -> dict[str, float]:
    """Return the condition that says by what a torque was made from current; none where it was not.

    A value in N.m, N.m.s/rad or N.m/' is as much off as that constant is.
    """
    is_torque = unit == "N.m" or unit.startswith(("N.m.", "N.m/"))
    return {TORQUE_CONSTANT: per_ampere} if is_torque and per_ampere is not None else {}


def current_findings(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return those that no later one replaces, in order of when they were made."""
    ordered = sorted(findings, key=lambda one: (one.made_ns, one.id))
    replaced: set[str] = set()
    kept = []
    # From the newest backwards: what is replaced was made before what replaces it.
    for finding in reversed(ordered):
        if finding.id not in replaced:
            kept.append(finding)
        if finding.replaces is not None and finding.replaces != finding.id:
            replaced.add(finding.replaces)
    return tuple(reversed(kept))


def is_repetition(one: Finding, other: Finding) -> bool:
    """Return whether two findings are the same evaluation of the same spans, settings included.

    The second tells nothing that the first did not: it can only replace it.
    """
    return (one.kind, one.joint, one.method.name) == (
        other.kind,
        other.joint,
        other.method.name,
    ) and (one.spans, one.settings, one.typed) == (other.spans, other.settings, other.typed)
