"""What is wrong about an input, in fields that make the sentence."""

import pickle

import pytest

from logger.errors import InputError, Mistake
from logger.settings_file import SettingError


@pytest.mark.parametrize(
    ("mistake", "sentence"),
    [
        (Mistake(problem="It is none."), "It is none."),
        (Mistake(found="3", expected="4"), "found 3, expected 4."),
        (
            Mistake(where="bench.toml", key=("joint", 1, "node"), found="'3'", expected="a number"),
            "bench.toml: joint[2].node: found '3', expected a number.",
        ),
        (
            Mistake(
                where="limits.toml",
                key=("limit", 0, "joint"),
                name="warm",
                problem="this key is missing.",
                hint="Did you mean 'elbow'?",
            ),
            "limits.toml: limit[1] (warm).joint: this key is missing. Did you mean 'elbow'?",
        ),
    ],
)
def test_a_mistake_makes_its_sentence(mistake: Mistake, sentence: str):
    """Where, key, what was found, what was expected, how to mend it; what is not known is left."""
    assert str(mistake) == sentence
    assert str(InputError(mistakes=[mistake])) == sentence


def test_several_mistakes_are_a_line_and_a_record_each():
    """The facts come through a process's door with the sentences."""
    mistakes = (Mistake(key=("above",), problem="One."), Mistake(problem="Two."))
    fault = pickle.loads(pickle.dumps(InputError(mistakes=mistakes)))
    assert str(fault) == "above: One.\nTwo."
    assert fault.mistakes == mistakes
    assert InputError("Only this.").mistakes == (Mistake(problem="Only this."),)


def test_a_validator_names_its_key():
    """With dots for one further inside."""
    error = SettingError("encoder.counts", found="5", expected="4", hint=" Or so.")
    assert error.mistake.key == ("encoder", "counts")
    assert str(error) == "encoder.counts: found 5, expected 4. Or so."
