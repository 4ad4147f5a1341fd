"""The scaling of a value: the declared relations between a raw count and its channel.

Units, gear, side, direction, zero, shares of a rated value. Pure.
"""

import math
from dataclasses import dataclass

from logger.errors import InputError
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.value import SHARE_FACTORS, Value
from logger.joint.channels import channel_named
from logger.joint.quantities import INPUT_UNITS, InputUnit

__all__ = ["Scaling", "scaling_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """stored = raw * factor + offset; of a resistance in ohm, of an encoder's count from zero."""

    factor: float
    offset: float


def scaling_of(value: Value, joint: JointSettings, *, where: str) -> Scaling:
    """Return the scaling of a value on a joint.

    Raises
    ------
    InputError
        The value is a share of something that the bench file does not give.
    """
    if value.resistance is not None:
        return Scaling(factor=value.scale, offset=value.offset)
    channel = channel_named(value.channel)
    gear = 1.0
    if value.side == "motor":
        gear = joint.gear_ratio if channel.quantity == "torque" else 1.0 / joint.gear_ratio
    sign = -1.0 if joint.reversed and channel.mirrored else 1.0
    # The zero is what the joint itself reports: it is taken off before the direction is turned.
    zero = sign * joint.zero_rad if channel.quantity == "position" else 0.0
    if value.encoder is not None:
        # The count itself is unwrapped first; this is what one count is at the output.
        return Scaling(factor=sign * gear * 2.0 * math.pi / value.encoder.counts, offset=-zero)
    if value.per_turn is not None:
        return Scaling(factor=sign * gear * 2.0 * math.pi / value.per_turn, offset=-zero)
    unit = _input_unit(value, joint, where)
    turn = sign * gear * unit.factor
    return Scaling(
        factor=value.scale * turn, offset=value.offset * turn + sign * gear * unit.offset - zero
    )


def _input_unit(value: Value, joint: JointSettings, where: str) -> InputUnit:
    quantity = channel_named(value.channel).quantity
    if value.unit in SHARE_FACTORS:
        return InputUnit(factor=SHARE_FACTORS[value.unit] * _whole_in_unit(quantity, joint, where))
    units = INPUT_UNITS[quantity]
    return units[value.unit] if value.unit else next(iter(units.values()))


def _whole_in_unit(quantity: str, joint: JointSettings, where: str) -> float:
    """Return the base of a share, in the channel's unit at the output."""
    per_mille_base = getattr(joint.per_mille, quantity)
    if per_mille_base == "current":
        if joint.torque is None:
            raise InputError(
                f"{where}.per_mille.torque: found 'current', but torque.per_ampere is missing; "
                "expected it: N.m at the output for one ampere."
            )
        return _whole_in_unit("current", joint, where) * joint.torque.per_ampere
    whole_value = per_mille_base if per_mille_base is not None else getattr(joint.rated, quantity)
    if whole_value is None:
        unit = {"torque": "N.m at the output", "current": "A", "voltage": "V"}[quantity]
        raise InputError(
            f"{where}.per_mille.{quantity}: this key is missing; the layout reports {quantity} as "
            f"a share, expected what 1000 per mille are in {unit} (here, or as rated.{quantity})."
        )
    return float(whole_value)
