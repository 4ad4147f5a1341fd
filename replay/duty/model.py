"""The joint that a load is held against, from the same recording."""
# ruff: noqa: N803 - units are written as units are

from collections.abc import Sequence

from replay.duty.evaluate import DutyModel
from replay.heat.faults import HeatFault
from replay.heat.fit import fit_heat
from replay.heat.typed_ambient import ambient_choice
from replay.recording import Recording

__all__ = ["duty_model"]


def duty_model(
    recording: Recording, joint: str, *, ambient: Sequence[str], limit_degC: float | None
) -> DutyModel:
    """Return the fitted joint, or why it cannot be fitted; none is fitted without a temperature.

    Parameters
    ----------
    ambient
        As a person types it; empty: the joint's own channel.

    Raises
    ------
    InputError
        The ambient that was named is none.
    """
    if limit_degC is None:
        return DutyModel()
    chosen = ambient_choice(ambient, [recording], joint)
    try:
        fit = fit_heat([recording], joint, ambient=chosen)
    except HeatFault as fault:
        return DutyModel(limit_degC=limit_degC, heat_fault=fault.kind)
    return DutyModel(fit=fit, limit_degC=limit_degC)
