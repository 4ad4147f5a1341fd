"""What a joint's maker claims: `[joint.claims]` of the bench file. Pure.

    peak_torque_Nm       = 24.0
    continuous_torque_Nm = { value = 9.0, ambient_degC = 25, mounting = "on a plate" }

The digits of a claim are part of it: 24.0 is met by what rounds to 24.0.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field

from logger.joint.data_sheet import (
    SHEET_QUANTITIES,
    SheetQuantity,
    find_sheet_key,
    sheet_keys,
)
from logger.settings_file import SettingError, Settings, nearest_name

__all__ = ["Claim", "Claims", "StatedClaim", "stated_claims"]

_CONDITION_KEYS: Final = (
    *("ambient_degC", "winding_degC", "housing_degC", "supply_V", "holding", "mounting"),
)
_SMALLEST_EXPONENT: Final = -9


class Claim(Settings):
    """One claim, and the conditions under which it is made."""

    value: float
    tolerance: float | None = Field(default=None, gt=0)
    """Either side of the value, in its unit, where the maker states one."""
    ambient_degC: float | None = Field(default=None, ge=-60, le=250)  # noqa: N815 - unit's spelling
    winding_degC: float | None = Field(default=None, ge=-60, le=250)  # noqa: N815
    housing_degC: float | None = Field(default=None, ge=-60, le=250)  # noqa: N815
    supply_V: float | None = Field(default=None, gt=0, le=1500)  # noqa: N815
    holding: bool | None = None
    """At standstill; left out: turning."""
    mounting: str | None = Field(default=None, min_length=1, max_length=200)

    @property
    def conditions(self) -> dict[str, bool | float | str]:
        """The conditions that it states."""
        stated = {key: getattr(self, key) for key in _CONDITION_KEYS}
        return {key: value for key, value in stated.items() if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedClaim:
    """A claim of a known quantity, in its stored unit."""

    quantity: SheetQuantity
    value: float
    """In the stored unit."""
    text: str
    """The number as it was written: "24.0"."""
    unit: str
    """In which it was written, as in keys."""
    factor: float
    """How many of the stored unit one of that is."""
    half_digit: float
    """Half of the last digit that was written, in the stored unit."""
    tolerance: float | None
    """In the stored unit."""
    conditions: Mapping[str, bool | float | str]


def _claim_from(given: Any) -> Any:  # noqa: ANN401 - raw settings
    """Take a number as a claim without conditions; refuse what is neither number nor table."""
    is_number = isinstance(given, int | float) and not isinstance(given, bool)
    if not is_number and not isinstance(given, dict):
        raise SettingError(
            "",
            found=repr(given),
            expected="a number such as 10, or { value = 10, ambient_degC = 25 }",
        )
    return {"value": given} if is_number else given


def _are_known(given: Any) -> Any:  # noqa: ANN401 - raw settings
    """Refuse a claim of an unknown quantity or unit; what is known is listed."""
    if not isinstance(given, dict):
        return given
    claimed: dict[str, str] = {}
    for key in given:
        found = find_sheet_key(key)
        if found is None:
            raise _unknown_claim(key)
        before = claimed.setdefault(found[0].name, key)
        if before != key:
            raise SettingError(
                key, found=f"{before!r} as well", expected=f"one claim of its {found[0].label}"
            )
    return given


def _unknown_claim(key: str) -> SettingError:
    of = next(
        (
            one
            for one in sorted(SHEET_QUANTITIES.values(), key=lambda one: -len(one.name))
            if key == one.name or key.startswith(f"{one.name}_")
        ),
        None,
    )
    if of is not None:
        return SettingError(
            key,
            problem=f"found {key!r}, which names no known unit of the {of.label}; expected one of "
            f"{', '.join(sheet_keys(of))}.",
        )
    known = [sheet_keys(one)[0] for one in SHEET_QUANTITIES.values()]
    return SettingError(
        key,
        problem="there is no such claim.",
        hint=f"{nearest_name(key, known)} Known: {', '.join(known)}.",
    )


Claims = Annotated[
    dict[str, Annotated[Claim, BeforeValidator(_claim_from)]], BeforeValidator(_are_known)
]
"""Key of a claim, unit included -> the claim."""


def stated_claims(
    claims: Mapping[str, Claim], bench_text: str, joint: str
) -> tuple[StatedClaim, ...]:
    """Return the claims of a joint in the order of the file, with the digits that they have there.

    `bench_text`: the bench file, from which `claims` were read.
    """
    written = _written_claims(bench_text, joint)
    stated = []
    for key, claim in claims.items():
        found = find_sheet_key(key)
        assert found is not None, "the bench file was checked"
        quantity, factor = found
        number = written.get(key, Decimal(repr(claim.value)))
        exponent = number.as_tuple().exponent
        power = max(exponent if isinstance(exponent, int) else 0, _SMALLEST_EXPONENT)
        unit = key.removeprefix(f"{quantity.name}_") if key != quantity.key else quantity.unit
        stated.append(
            StatedClaim(
                quantity=quantity,
                value=claim.value * factor,
                text=str(number),
                unit=unit,
                factor=factor,
                half_digit=0.5 * 10.0**power * factor,
                tolerance=None if claim.tolerance is None else claim.tolerance * factor,
                conditions={**quantity.usual, **claim.conditions},
            )
        )
    return tuple(stated)


def _written_claims(bench_text: str, joint: str) -> dict[str, Decimal]:
    """Return the numbers of a joint's claims with the digits of the file."""
    joints = tomllib.loads(bench_text, parse_float=Decimal).get("joint", [])
    named = [one for one in joints if one.get("name") == joint]
    table: dict[str, Any] = named[0].get("claims", {}) if named else {}
    numbers = {}
    for key, given in table.items():
        value = given.get("value") if isinstance(given, dict) else given
        if isinstance(value, int | Decimal):
            numbers[key] = Decimal(value)
    return numbers
