"""The joint that a load is held against, from the same recording or from earlier ones."""
# ruff: noqa: N803 - units are written as units are

from collections.abc import Sequence

from replay.duty.evaluate import DutyModel
from replay.duty.result import ModelSource
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import fit_heat
from replay.heat.kept_model import kept_heat
from replay.heat.typed_ambient import ambient_choice
from replay.recording import Recording
from replay.serials import other_serial

__all__ = ["duty_model"]


def duty_model(
    recording: Recording,
    joint: str,
    *,
    ambient: Sequence[str],
    limit_degC: float | None,
    fitted_to: Sequence[Recording] = (),
) -> DutyModel:
    """Return the fitted joint, or why it cannot be fitted; none is fitted without a temperature.

    Parameters
    ----------
    ambient
        As a person types it; empty: the joint's own channel.
    fitted_to
        Other recordings of the joint, to fit in place of this one. A model of them that was kept
        is taken as it is, unless an ambient is typed: then they are fitted with that.

    Raises
    ------
    InputError
        The ambient that was named is none.
    """
    if limit_degC is None:
        return DutyModel()
    kept = kept_heat(fitted_to, joint) if fitted_to and not ambient else None
    fitted = fitted_to or (recording,)
    chosen = ambient_choice(ambient, fitted, joint)
    finding = "" if kept is None else kept.finding.id
    sources = tuple(ModelSource(one.name, one.start_ns, finding) for one in fitted_to)
    if (other := other_serial((recording, *fitted_to), joint)) is not None:
        kind = HeatFaultKind.OTHER_SERIAL
        return DutyModel(
            limit_degC=limit_degC, heat_fault=kind, other_serial=other, fitted_to=sources
        )
    if kept is not None:
        return DutyModel(fit=kept, limit_degC=limit_degC, fitted_to=sources)
    try:
        fit = fit_heat(fitted, joint, ambient=chosen)
    except HeatFault as fault:
        return DutyModel(limit_degC=limit_degC, heat_fault=fault.kind, fitted_to=sources)
    return DutyModel(fit=fit, limit_degC=limit_degC, fitted_to=sources)
