"""A finding is a value: it reads back as it was, or is told and not read."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from logger.findings.finding import (
    Finding,
    FindingSpan,
    FoundQuantity,
    IntervalBy,
    KeptModel,
    Method,
    TypedValue,
    UncertaintyPart,
    current_findings,
    is_repetition,
)
from logger.findings.finding_text import FindingFault, UnreadReason, finding_from, finding_text
from logger.joint.bench.thermal_settings import ThermalSettings
from tests.support.findings import play_finding

_IDS = [f"{number:032x}" for number in range(1, 7)]
_WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
_NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
_SCALARS = st.one_of(st.booleans(), _NUMBERS, _WORDS.map(str.strip))


def _changed(text: str, **changes: object) -> str:
    return json.dumps({**json.loads(text), **changes})


@given(
    value=_NUMBERS,
    ends=st.tuples(_NUMBERS, _NUMBERS).map(sorted),
    words=_WORDS.map(str.strip),
    settings=st.dictionaries(_WORDS.map(str.strip), _SCALARS, max_size=4),
    span=st.tuples(st.integers(0, 2**61), st.integers(0, 2**61)).map(sorted),
)
def test_a_finding_reads_back_as_it_was(value, ends, words, settings, span):
    """Numbers to the last bit, texts of any letters, switches as switches."""
    finding = Finding(
        kind="backlash",
        joint="a",
        id=_IDS[0],
        quantities=(
            FoundQuantity(
                name="backlash",
                value=value,
                unit="'",
                standard_uncertainty=abs(value),
                low=ends[0],
                high=ends[1],
                interval_by=IntervalBy.GRID,
                parts=(UncertaintyPart(source="arm", contribution=value, shared=True),),
                conditions=settings,
            ),
        ),
        method=Method(name=words),
        settings=settings,
        spans=(FindingSpan(recording=words, from_ns=span[0], to_ns=span[1]),),
        typed=(TypedValue(name=words, value=value, unit="kg"),),
        made_ns=span[1],
    )
    assert finding_from(finding_text(finding), "f") == finding
    assert finding_text(finding_from(finding_text(finding), "f")) == finding_text(finding)


@pytest.mark.parametrize("written", [3, 7])
def test_one_of_a_newer_format_is_told_and_not_read(written: int):
    """Whatever else is in it."""
    text = _changed(finding_text(play_finding()), format=written, unheard_of={"a": 1})
    with pytest.raises(FindingFault, match=rf"found {written}, expected 2") as raised:
        finding_from(text, "f.json")
    assert raised.value.reason is UnreadReason.NEWER


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text.replace("10.0", "70.0", 1),
        lambda text: text[: len(text) // 2],
        lambda text: _changed(text, crc32="00000000"),
        lambda text: _changed(text, who="another"),
        lambda text: "[]",
        lambda text: "",
        lambda text: _changed(text, format="new"),
    ],
)
def test_a_finding_that_was_changed_is_not_read(damage):
    """A flipped digit would be another result."""
    with pytest.raises(FindingFault) as raised:
        finding_from(damage(finding_text(play_finding())), "f.json")
    assert raised.value.reason is UnreadReason.DAMAGED


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "Backlash of it"},
        {"joint": "../a"},
        {"id": "1"},
        {"replaces": "x"},
        {"quantities": ()},
        {"unheard_of": 1},
        {"spans": (FindingSpan(recording="r", from_ns=0, to_ns=1),) * 201},
    ],
)
def test_what_is_no_finding_is_refused(fields: dict):
    """By the value itself, so that no file holds it."""
    with pytest.raises(ValidationError):
        play_finding(**fields)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_quantity_is_a_number_within_its_interval(value: float):
    """No NaN, no interval that runs back."""
    shape = {
        "name": "backlash", "unit": "'", "standard_uncertainty": 1.0, "interval_by": "student",
    }  # fmt: skip
    with pytest.raises(ValidationError):
        FoundQuantity(value=value, low=0.0, high=1.0, **shape)
    with pytest.raises(ValidationError):
        FoundQuantity(value=0.5, low=1.0, high=0.0, **shape)
    with pytest.raises(ValidationError):
        FoundQuantity(value=0.5, low=0.0, high=value, **shape)


def test_a_replaced_finding_is_not_current():
    """A better one names it; a chain leaves the last, strangers stay."""
    first, second, third, other = (
        play_finding(id=_IDS[at], made_ns=at, replaces=replaced)
        for at, replaced in enumerate([None, _IDS[0], _IDS[1], "f" * 32])
    )
    assert current_findings([other, third, first, second]) == (third, other)
    assert current_findings([first, third]) == (first, third)


def test_findings_that_replace_each_other_hide_nothing():
    """Nobody can write that, but a file can say it: the newer one counts."""
    one = play_finding(id=_IDS[0], made_ns=1, replaces=_IDS[1])
    other = play_finding(id=_IDS[1], made_ns=2, replaces=_IDS[0])
    itself = play_finding(id=_IDS[2], made_ns=3, replaces=_IDS[2])
    assert current_findings([one, other, itself]) == (other, itself)


def test_the_same_evaluation_of_the_same_spans():
    """Equal spans, settings and typed values; its result and time do not matter."""
    span = FindingSpan(recording="r", from_ns=0, to_ns=5)
    finding = play_finding(spans=(span,), settings={"ramp_s": 2.0})
    assert is_repetition(finding, play_finding(value=9.0, spans=(span,), settings={"ramp_s": 2.0}))
    for fields in (
        {"settings": {"ramp_s": 4.0}},
        {"spans": (FindingSpan(recording="r", from_ns=0, to_ns=6),)},
        {"joint": "b"},
        {"kind": "friction"},
        {"typed": (TypedValue(name="arm", value=0.3, unit="m"),)},
    ):
        other = finding.model_copy(update=fields)
        assert not is_repetition(finding, other), fields


def test_a_fitted_model_is_kept_with_its_covariance():
    """Read back the same; a finding without one is written as older programs read it."""
    plain = play_finding()
    assert json.loads(finding_text(plain))["format"] == 1
    assert "heat_model" not in json.loads(finding_text(plain))
    thermal = ThermalSettings(
        housing_rise=0.3, housing_time_s=300.0, log_covariance=((0.01, 0.002), (0.002, 0.04))
    )
    model = KeptModel(thermal=thermal, ambient_degC=22.5, torque_per_ampere=1.6)
    kept = Finding.model_validate({**dict(plain), "format": 2, "heat_model": model})
    assert finding_from(finding_text(kept), "f.json") == kept
    with pytest.raises(ValidationError, match="2, since it has a fitted model"):
        Finding.model_validate({**dict(plain), "heat_model": model})
