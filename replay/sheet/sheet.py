"""The data sheet of one specimen: claimed, measured, verdict, reason, trend, by rows. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from logger.findings.finding import TORQUE_CONSTANT
from logger.joint.bench.claims import StatedClaim
from logger.joint.data_sheet import SHEET_QUANTITIES, SheetQuantity
from replay.sheet.combining import Measured, SourcedQuantity, combine_findings
from replay.sheet.conditions import (
    ConditionFault,
    Conditions,
    Mismatch,
    is_alike,
    mismatches,
    without_about,
)
from replay.sheet.specimens import Specimen
from replay.sheet.torque_basis import corrected_quantities
from replay.sheet.trend import Trend, trend_of
from replay.sheet.verdict import ClaimDecision, Verdict, decide_claim

__all__ = ["Sheet", "SheetRow", "claim_on", "make_sheet", "measured_of"]

_REFERENCE_DEGC: Final = 25.0
"""The ambient of which a quantity without a claim is shown, where it is known at several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One quantity of a sheet."""

    name: str
    label: str
    unit: str
    """UCUM, of `measured`."""
    claim: StatedClaim | None
    measured: Measured | None
    """None: not measured, or only under other conditions than claimed."""
    decision: ClaimDecision | None
    verdict: Verdict
    mismatches: tuple[Mismatch, ...]
    """What keeps claim and measurement apart."""
    held_by: str
    """What kept it from being more, as the finding says it; "": not known."""
    trend: Trend | None
    history: tuple[SourcedQuantity, ...]
    """All findings under these conditions: how it went."""
    is_newest_only: bool
    """It changes: `measured` is the newest finding, the others tell how it went."""
    to_do: str
    """Where it was not measured, what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The measured data sheet of one specimen."""

    specimen: Specimen
    rows: tuple[SheetRow, ...]
    per_ampere: Measured | None
    """Its torque per ampere as it was measured, by which torques from current are put right."""

    @property
    def is_simulated(self) -> bool:
        """Whether any value in it is of simulated joints."""
        return any(row.measured is not None and row.measured.is_simulated for row in self.rows)

    def count_of(self, verdict: Verdict) -> int:
        """Return how many claims have a verdict."""
        return sum(row.verdict is verdict for row in self.rows)


def make_sheet(specimen: Specimen) -> Sheet:
    """Return the sheet of a specimen: claims in the order of the file, then what else was found.

    Torques made from current are put right by the torque per ampere, where that was measured.
    """
    specimen, per_ampere = _with_measured_torque(specimen)
    rows = [_claimed_row(claim, specimen, per_ampere) for claim in specimen.claims]
    claimed = {claim.quantity.name for claim in specimen.claims}
    names = dict.fromkeys(one.quantity.name for one in specimen.quantities)
    in_order = [*(name for name in SHEET_QUANTITIES if name in names), *names]
    rows += [
        _unclaimed_row(name, specimen, per_ampere)
        for name in dict.fromkeys(in_order)
        if name not in claimed
    ]
    return Sheet(specimen=specimen, rows=tuple(rows), per_ampere=per_ampere)


def measured_of(specimen: Specimen) -> tuple[Measured, ...]:
    """Return every value of a specimen: one for each quantity and its conditions."""
    specimen, _ = _with_measured_torque(specimen)
    names = dict.fromkeys(one.quantity.name for one in specimen.quantities)
    return tuple(_value_of(group)[0] for name in names for group in _groups(specimen, name))


def claim_on(specimen: Specimen, measured: Measured) -> StatedClaim | None:
    """Return what is claimed of a value under its conditions; None for nothing."""
    return next(
        (
            claim
            for claim in specimen.claims
            if (claim.quantity.name, claim.quantity.ucum) == (measured.name, measured.unit)
            and not mismatches(claim.conditions, measured.conditions, usual=claim.quantity.usual)
        ),
        None,
    )


def _with_measured_torque(specimen: Specimen) -> tuple[Specimen, Measured | None]:
    """Return a specimen with its torques put right by its torque per ampere, and that; or None."""
    groups = _groups(specimen, "torque_per_ampere")
    if not groups:
        return specimen, None
    per_ampere, _ = _value_of(groups[0])
    if per_ampere.unit != SHEET_QUANTITIES["torque_per_ampere"].ucum:
        return specimen, None
    quantities = corrected_quantities(specimen.quantities, per_ampere, specimen=specimen.key)
    return replace(specimen, quantities=tuple(quantities)), per_ampere


def _value_of(group: Sequence[SourcedQuantity]) -> tuple[Measured, Trend | None]:
    """Return what a quantity is now, and its trend.

    Of one that changed at one time from the findings since then, of one that changes all the time
    the newest finding.
    """
    trend = trend_of(group)
    if trend is not None and trend.is_at_once and trend.change is not None:
        group = [one for one in group if one.running_h > trend.change.after_h]
    elif trend is not None and trend.is_seen:
        group = [max(group, key=lambda one: (one.running_h, one.finding.made_ns))]
    return combine_findings(group), trend


def _groups(specimen: Specimen, name: str) -> list[list[SourcedQuantity]]:
    """Return the findings of a quantity by like conditions; of those of one span the newest."""
    groups: list[list[SourcedQuantity]] = []
    newest_first = sorted(
        (one for one in specimen.quantities if one.quantity.name == name),
        key=lambda one: -one.finding.made_ns,
    )
    for one in newest_first:
        group = next((group for group in groups if _are_alike(group[0], one)), None)
        if group is None:
            groups.append([one])
        elif not any(_same_span(one, other) for other in group):
            group.append(one)
    return groups


def _are_alike(one: SourcedQuantity, other: SourcedQuantity) -> bool:
    mine, theirs = without_about(one.conditions), without_about(other.conditions)
    return (
        one.quantity.unit == other.quantity.unit
        and mine.keys() == theirs.keys()
        and all(is_alike(key, value, theirs[key]) for key, value in mine.items())
    )


def _same_span(one: SourcedQuantity, other: SourcedQuantity) -> bool:
    """Return whether two findings stand on the same rows: they are not two measurements."""
    return one.finding.kind == other.finding.kind and any(
        other.finding.overlaps(span.from_ns, span.to_ns) for span in one.finding.spans
    )


def _claimed_row(claim: StatedClaim, specimen: Specimen, per_ampere: Measured | None) -> SheetRow:
    quantity = claim.quantity
    groups = _groups(specimen, quantity.name)
    usual = quantity.usual
    fitting = [
        group
        for group in groups
        if not mismatches(claim.conditions, group[0].conditions, usual=usual)
    ]
    if not groups:
        return _row(quantity, claim, None, verdict=Verdict.NOT_MEASURED)
    if not fitting:
        nearest = min(
            groups,
            key=lambda group: len(mismatches(claim.conditions, group[0].conditions, usual=usual)),
        )
        apart = mismatches(claim.conditions, nearest[0].conditions, usual=usual)
        return _row(quantity, claim, nearest, verdict=Verdict.NOT_COMPARABLE, apart=apart)
    open_keys = _open_keys(claim.conditions, fitting)
    if open_keys:
        apart = tuple(
            Mismatch(fault=ConditionFault.NOT_CLAIMED, key=key, claimed=None, measured=None)
            for key in open_keys
        )
        return _row(quantity, claim, fitting[0], verdict=Verdict.NOT_COMPARABLE, apart=apart)
    hidden = _hidden(fitting[0], per_ampere)
    if hidden is not None:
        return _row(quantity, claim, fitting[0], verdict=Verdict.NOT_COMPARABLE, apart=(hidden,))
    return _row(quantity, claim, fitting[0], verdict=None)


def _hidden(group: Sequence[SourcedQuantity], per_ampere: Measured | None) -> Mismatch | None:
    """Return what keeps a torque from being judged: the constant it hides is not that measured."""
    for one in group:
        stored = one.hidden_constant
        if (
            per_ampere is not None
            and stored is not None
            and not per_ampere.low <= stored <= per_ampere.high
        ):
            return Mismatch(
                fault=ConditionFault.HIDDEN,
                key=TORQUE_CONSTANT,
                claimed=stored,
                measured=per_ampere.value,
            )
    return None


def _open_keys(claimed: Conditions, groups: Sequence[Sequence[SourcedQuantity]]) -> list[str]:
    """Return the conditions by which groups differ and of which the claim says nothing."""
    if len(groups) < 2:
        return []
    conditions = [without_about(group[0].conditions) for group in groups]
    keys = dict.fromkeys(key for one in conditions for key in one if key not in claimed)
    return [
        key
        for key in keys
        if any(
            key not in one
            or key not in conditions[0]
            or not is_alike(key, one[key], conditions[0][key])
            for one in conditions
        )
    ]


def _unclaimed_row(name: str, specimen: Specimen, per_ampere: Measured | None) -> SheetRow:
    quantity = SHEET_QUANTITIES.get(name)
    usual = quantity.usual if quantity is not None else {}

    def strangeness(group: Sequence[SourcedQuantity]) -> tuple[int, float, int]:
        conditions = group[0].conditions
        ambient = conditions.get("ambient_degC", _REFERENCE_DEGC)
        away = abs(ambient - _REFERENCE_DEGC) if isinstance(ambient, float) else 0.0
        # Of several temperatures the one that was met most often: it tells most of how it goes.
        return len(mismatches(usual, conditions, usual=usual)), away, -len(group)

    group = min(_groups(specimen, name), key=strangeness)
    hidden = _hidden(group, per_ampere)
    apart = () if hidden is None else (hidden,)
    return _row(quantity, None, group, verdict=Verdict.NOT_CLAIMED, name=name, apart=apart)


def _row(
    quantity: SheetQuantity | None,
    claim: StatedClaim | None,
    group: Sequence[SourcedQuantity] | None,
    *,
    verdict: Verdict | None,
    apart: tuple[Mismatch, ...] = (),
    name: str = "",
) -> SheetRow:
    measured, trend = _value_of(group) if group else (None, None)
    decision = None
    if verdict is None and measured is not None and claim is not None:
        if measured.unit == claim.quantity.ucum:
            decision = decide_claim(claim, measured)
            verdict = decision.verdict
        else:
            verdict = Verdict.NOT_COMPARABLE
            apart = (
                Mismatch(
                    fault=ConditionFault.UNLIKE,
                    key="unit",
                    claimed=claim.quantity.ucum,
                    measured=measured.unit,
                ),
            )
    held = measured.findings[-1].conditions.get("held_by", "") if measured else ""
    return SheetRow(
        name=quantity.name if quantity else name,
        label=quantity.label if quantity else name.replace("_", " "),
        unit=measured.unit if measured else (quantity.ucum if quantity else ""),
        claim=claim,
        measured=measured,
        decision=decision,
        verdict=verdict or Verdict.NOT_MEASURED,
        mismatches=apart,
        held_by=str(held),
        trend=trend,
        history=tuple(group or ()),
        is_newest_only=trend is not None and trend.is_seen and not trend.is_at_once,
        to_do=quantity.measure if quantity and not measured else "",
    )
