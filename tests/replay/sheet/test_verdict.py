"""A claim is confirmed or refuted only by a whole interval, and how often that is wrong."""

import math

import numpy as np
import pytest

from logger.findings.uncertainty import student_factors, welch_satterthwaite
from replay.sheet.combining import combine_findings
from replay.sheet.verdict import Verdict, acceptance_zone, decide_claim, decide_sides
from tests.support.one_joint import MOTOR, one_joint_bench
from tests.support.sheet_findings import sourced


def _claim(text: str):
    bench = one_joint_bench(MOTOR, f"[joint.claims]\n{text}\n")
    return bench.claims_of(bench.joint_named("a"))[0]


@pytest.mark.parametrize(
    ("text", "zone"),
    [
        ("peak_torque_Nm = 24.0", (23.95, math.inf)),
        ("peak_torque_Nm = 24", (23.5, math.inf)),
        ("backlash_arcmin = 10.0", (-math.inf, 10.05)),
        ("gear_ratio = 9.00", (8.995, 9.005)),
        ("gear_ratio = { value = 9.00, tolerance = 0.1 }", (8.9, 9.1)),
        ("mass_g = 610", (-math.inf, 0.6105)),
    ],
)
def test_what_rounds_to_a_claim_meets_it(text: str, zone: tuple[float, float]):
    """Its digits and its tolerance say how far it reaches."""
    assert acceptance_zone(_claim(text)) == pytest.approx(zone)


@pytest.mark.parametrize(
    ("claim", "value", "verdict"),
    [
        ("peak_torque_Nm = 24.0", 25.0, Verdict.CONFIRMED),
        ("peak_torque_Nm = 24.0", 23.0, Verdict.FALLS_SHORT),
        ("peak_torque_Nm = 24.0", 24.1, Verdict.NOT_PROVEN),
        ("peak_torque_Nm = 24.0", 23.8, Verdict.NOT_PROVEN),
        ("backlash_arcmin = 10.0", 9.0, Verdict.CONFIRMED),
        ("backlash_arcmin = 10.0", 11.0, Verdict.FALLS_SHORT),
        ("gear_ratio = 9.0", 9.5, Verdict.FALLS_SHORT),
        ("gear_ratio = 9.0", 9.0, Verdict.NOT_PROVEN),
        ("gear_ratio = { value = 9.0, tolerance = 0.5 }", 9.1, Verdict.CONFIRMED),
    ],
)
def test_verdicts(claim: str, value: float, verdict: Verdict):
    """On either side, for what is better high, low and as claimed; the interval is +-0.28."""
    decision = decide_claim(_claim(claim), combine_findings([sourced(value)]))
    assert decision.verdict is verdict
    assert (decision.short_by > 0.0) == (verdict is Verdict.FALLS_SHORT)
    assert (decision.repeat is not None) == (verdict is Verdict.NOT_PROVEN)


def test_by_how_much_it_falls_short():
    """From the claim itself, with the ends of the interval."""
    decision = decide_claim(
        _claim("backlash_arcmin = 10.0"), combine_findings([sourced(11.0, freedom=None)])
    )
    assert decision.short_by == pytest.approx(1.0)
    assert (decision.short_low, decision.short_high) == pytest.approx((0.804, 1.196), abs=1e-3)


def test_what_would_settle_it():
    """More of the same where scatter keeps it open; nothing where an arm does."""
    claim = _claim("peak_torque_Nm = 24.0")
    near = decide_claim(claim, combine_findings([sourced(24.15, own=0.2)])).repeat
    assert near.more == 3, "four of 0.2 are 0.1, and the limit is 0.2 away"
    arm = decide_claim(claim, combine_findings([sourced(24.15, own=0.2, arm=0.2)])).repeat
    assert (arm.more, arm.by_source) == (None, "arm")
    hopeless = decide_claim(claim, combine_findings([sourced(23.9501, own=0.2)])).repeat
    assert (hopeless.more, hopeless.by_source) == (None, "")


def _decided(readings: int, systematic: float, truth: np.ndarray, seed: int) -> dict[str, float]:
    """Return shares over specimens: of what the uncertainty of one mean is 1; the claim is at 0.

    `systematic`: a part that all readings of a specimen share, drawn anew for each, known as one
    standard uncertainty of the mean times this.
    """
    dice = np.random.default_rng(seed)
    size = len(truth)
    whole = math.hypot(1.0, systematic)
    truth = truth * whole
    bias = dice.normal(0.0, systematic, size) if systematic else np.zeros(size)
    scatter = dice.normal(0.0, math.sqrt(readings), (size, readings))
    values = truth + bias + scatter.mean(axis=1)
    own = scatter.std(axis=1, ddof=1) / math.sqrt(readings)
    parts = np.column_stack([own, np.full(size, systematic)])
    known, freedom = welch_satterthwaite(parts, np.array([readings - 1.0, np.inf]))
    reach = student_factors(freedom) * known
    zone = (0.0, math.inf)
    said = decide_sides(values - reach, values + reach, zone)
    ideal = decide_sides(values - 1.96 * whole, values + 1.96 * whole, zone)
    right = np.where(truth >= 0.0, 1, -1)
    return {
        "wrong": float(np.mean((said != 0) & (said != right))),
        "cover": float(np.mean(np.abs(values - truth) <= reach)),
        "right": float(np.mean(said == right) / np.mean(ideal == right)),
    }


@pytest.mark.parametrize(("readings", "asked"), [(10, 0.9), (5, 0.65), (3, 0.4)])
def test_a_thousand_specimens(readings: int, asked: float):
    """Rarely wrong near the claim, intervals that cover, and decisions all the same."""
    dice = np.random.default_rng(readings)
    found = []
    for systematic in (0.0, 1.0, 2.0):
        near = _decided(readings, systematic, dice.uniform(-0.2, 0.2, 20_000), seed=readings)
        assert near["wrong"] <= 0.037
        assert 0.93 <= near["cover"] <= 0.97
        wide = _decided(readings, systematic, dice.uniform(-3.0, 3.0, 20_000), seed=readings)
        found.append(wide["right"])
    assert np.mean(found) >= asked, found
