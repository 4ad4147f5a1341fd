"""Parts of uncertainty: by source, with their degrees of freedom."""

import math

import pytest

from logger.findings.finding import IntervalBy, UncertaintyPart
from logger.findings.uncertainty import (
    combined_uncertainty,
    effective_freedom,
    parts_of,
    quantity_from_parts,
    student_factor,
)


def _part(contribution: float, freedom: float | None = None, source: str = "") -> UncertaintyPart:
    return UncertaintyPart(
        source=source or "scatter",
        contribution=contribution,
        degrees_of_freedom=freedom,
        shared=bool(source),
    )


@pytest.mark.parametrize(
    ("freedom", "factor"),
    # Tables of Student's t, two-sided 95 %, as printed in every handbook.
    [(1.0, 12.706), (2.0, 4.303), (4.0, 2.776), (10.0, 2.228), (None, 1.960)],
)
def test_the_factor_is_that_of_the_tables(freedom: float | None, factor: float):
    """To the digits that they print."""
    assert student_factor(freedom) == pytest.approx(factor, abs=6e-4)


def test_own_parts_add_as_squares_and_shared_ones_with_their_signs():
    """Two parts of one arm are one error; two scatters are two."""
    assert combined_uncertainty([_part(3.0), _part(4.0)]) == pytest.approx(5.0)
    assert combined_uncertainty([_part(3.0, source="arm"), _part(4.0, source="arm")]) == 7.0
    assert combined_uncertainty([_part(3.0, source="arm"), _part(-3.0, source="arm")]) == 0.0
    assert combined_uncertainty([_part(3.0, source="arm"), _part(4.0, source="scale")]) == 5.0
    assert combined_uncertainty([]) == 0.0


def test_degrees_of_freedom_after_welch_and_satterthwaite():
    """Alone its own; two equal ones add; a part known beforehand gives freedom back."""
    assert effective_freedom([_part(2.0, 4.0)]) == pytest.approx(4.0)
    assert effective_freedom([_part(1.0, 4.0), _part(1.0, 6.0)]) == pytest.approx(
        4.0 / (1 / 4.0 + 1 / 6.0)
    )
    assert effective_freedom([_part(1.0, 2.0), _part(3.0)]) == pytest.approx(100.0 / 0.5)
    assert effective_freedom([_part(1.0), _part(2.0)]) is None
    assert effective_freedom([]) is None


def test_the_interval_of_a_quantity():
    """Value plus and minus Student's factor times the combined uncertainty."""
    found = quantity_from_parts("backlash", 10.0, "'", [_part(0.5, 4.0)])
    assert found.interval_by is IntervalBy.STUDENT
    assert (found.low, found.high) == pytest.approx(
        (10 - 2.7764 * 0.5, 10 + 2.7764 * 0.5), abs=1e-4
    )
    known = quantity_from_parts("mass", 0.6, "kg", [_part(0.01)])
    assert known.interval_by is IntervalBy.NORMAL
    assert known.high - known.low == pytest.approx(2 * 1.959964 * 0.01, rel=1e-6)
    assert math.isclose(known.standard_uncertainty, 0.01)


def test_a_quantity_without_parts_has_one_of_its_own():
    """So that whoever combines need not ask."""
    whole = quantity_from_parts("mass", 0.6, "kg", [_part(0.01, 3.0)]).model_copy(
        update={"parts": ()}
    )
    (part,) = parts_of(whole)
    assert (part.contribution, part.degrees_of_freedom, part.shared) == (0.01, 3.0, False)
