"""The table of texts that Python and the browser are both held to."""

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard.text import format as text_format

TABLE = Path(__file__).with_name("format_cases.json")
CASES: list[dict[str, Any]] = json.loads(TABLE.read_text("utf-8"))
NOT_FINITE = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}
"""JSON has no such numbers: the table has their names."""
OF_INSTANTS = {name for name in text_format.__all__ if "date" in name or "clock" in name}


def _arguments(case: dict[str, Any]) -> list[Any]:
    """Return a case's arguments as Python takes them: instants in nanoseconds, zones as objects."""
    given = case["arguments"]
    if case["function"] in OF_INSTANTS:
        return [given[0] * 1_000_000, ZoneInfo(given[1])]
    return [NOT_FINITE.get(value, value) for value in given]


@pytest.mark.parametrize("case", CASES, ids=[f"{c['function']}-{c['arguments']}" for c in CASES])
def test_case(case: dict[str, Any]):
    """Each case of the table gives its text."""
    function = getattr(text_format, case["function"])
    assert function(*_arguments(case)) == case["text"]


def test_every_function_has_cases():
    """Nothing is formatted that the browser's side is not held to."""
    assert {case["function"] for case in CASES} == set(text_format.__all__)


def test_a_time_of_day_belongs_to_its_instant():
    """14:00 on a July day in Berlin reads 14:00, whatever the offset to UTC is today."""
    berlin = ZoneInfo("Europe/Berlin")
    july = datetime(2026, 7, 15, 14, 0, tzinfo=berlin)
    november = datetime(2026, 11, 15, 14, 0, tzinfo=berlin)
    assert july.utcoffset() == november.utcoffset() + timedelta(hours=1)
    for moment in (july, november):
        assert text_format.format_clock(int(moment.timestamp()) * 10**9, berlin) == "14:00:00"


def test_the_last_nanosecond_of_a_minute_is_not_the_next():
    """Floats of 1e18 ns are off by hundreds of ns; whole seconds are found by integers."""
    minute_ns = int(datetime(2026, 11, 25, 14, 43, tzinfo=UTC).timestamp()) * 10**9
    assert text_format.format_clock(minute_ns - 1, UTC) == "14:42:59"
    assert text_format.format_short_date_time(minute_ns - 1, UTC) == "25 Nov 14:42"


def test_a_flag_that_came_more_often_than_is_known():
    """Nothing is said of how often where that is not known at all."""
    assert text_format.format_flag(20, math.nan, is_least=True) == "at least 20 times"
    assert text_format.format_flag(1, 0.5, is_least=True) == "at least once, 50 % of the time"
    assert text_format.format_flag(0, math.nan, is_least=True) == "not on"
