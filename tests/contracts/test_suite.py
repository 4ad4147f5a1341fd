"""What `make test` relies on: where the tests stand that drive a browser, and what is slow."""

from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
WITH_A_BROWSER = ("dashboard", "benchmarks")


def test_browser_tests_stand_where_they_are_looked_for():
    """`make test` collects those of tests/dashboard alone; one elsewhere would never be run."""
    marks = {
        path.relative_to(TESTS)
        for path in TESTS.rglob("test_*.py")
        if "pytest.mark.browser" in path.read_text("utf-8") and path != Path(__file__)
    }
    assert len(marks) > 20
    assert {path for path in marks if path.parts[0] not in WITH_A_BROWSER} == set()


def test_studies_and_soaks_are_slow(request: pytest.FixtureRequest):
    """Of all that is run with this one: hours in the quick suite would be noticed late."""
    markers = [{mark.name for mark in item.iter_markers()} for item in request.session.items]
    assert not [marks for marks in markers if marks & {"study", "soak"} and "slow" not in marks]
