"""The sentence in parts: joined it is what the terminal and the clipboard get."""

import numpy as np
import pytest

from replay.heat.evaluate import answer_heat
from replay.heat.fit import HeatFit
from replay.heat.sentence import PartKind, heat_sentence, sentence_parts
from replay.recording import Recording


@pytest.fixture
def fit(stepped: tuple[Recording, HeatFit]) -> HeatFit:
    """Give a joint fitted to load steps with its winding, housing and room."""
    return stepped[1]


def test_parts_are_the_sentence(fit: HeatFit):
    """What was chosen is told apart from what was found, and each value has its interval."""
    result = answer_heat(fit, limit_degC=110.0, reference_degC=35.0)
    parts = list(sentence_parts(result))
    assert "".join(part.text for part in parts if part.kind is PartKind.WORDS).startswith("a carr")
    given = [part.text for part in parts if part.kind is PartKind.GIVEN]
    assert given[:2] == ["35", "110"]
    found = [part.kind for part in parts if part.kind in {PartKind.VALUE, PartKind.INTERVAL}]
    assert found.count(PartKind.INTERVAL) >= 3
    sentence = heat_sentence(result)
    assert sentence.startswith("a carries ")
    assert " for ever at 35 °C with its winding at 110 °C, " in sentence
    assert sentence.endswith("from 1 recording, 2.0 h.")


def test_holding_still_carries_less(fit: HeatFit):
    """Twice the loss of rotating: torque by root two, for ever and for a time."""
    turning = answer_heat(fit, limit_degC=110.0)
    holding = answer_heat(fit, limit_degC=110.0, is_holding=True)
    assert ", holding still" in heat_sentence(holding)
    for one, other in zip(turning.held_for, holding.held_for, strict=True):
        assert other.load == pytest.approx(one.load / np.sqrt(2.0), rel=1e-6)
        assert other.cold_s[0] == pytest.approx(one.cold_s[0], rel=1e-6)


def test_loads_that_are_asked_for(fit: HeatFit):
    """Their times fall as they grow; below what is borne for ever they last for ever."""
    asked = answer_heat(fit, limit_degC=110.0, loads=[5.0, 16.0, 20.0, 30.0]).held_for
    assert [one.load for one in asked] == [5.0, 16.0, 20.0, 30.0]
    times = [one.cold_s[0] for one in asked]
    assert np.isinf(times[0])
    assert times[1] > times[2] > times[3]
