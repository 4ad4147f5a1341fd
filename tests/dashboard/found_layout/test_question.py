"""What the Layout page asks: steps, typed numbers, and what is none of them."""

from pathlib import Path

import pytest

from dashboard.found_layout.question import LayoutQuery
from logger.errors import InputError

HERE = Path("rec")


def test_a_question_holds_what_was_marked_and_typed():
    """With room around the steps, and the marks from the first frame on."""
    query = LayoutQuery(rest="20-30", turn="31.5-62", mass=2, arm=0.4)
    asked = query.asked(HERE, 1)
    assert asked.span_s == (8.0, 74.0)
    marks = asked.marks(9.0)
    assert (marks.rest, marks.turn, marks.load) == ((11.0, 21.0), (22.5, 53.0), None)
    assert (marks.mass_kg, marks.arm_m, marks.ambient_degC) == (2.0, 0.4, None)
    assert hash(asked) == hash(query.asked(HERE, 1))


def test_a_step_that_goes_on_is_held():
    """It is shown, and no question yet."""
    query = LayoutQuery(turn="12.5-")
    assert query.steps() == {"turn": (12.5, None)}
    with pytest.raises(InputError, match="turn: still being done"):
        query.asked(HERE, 1)


@pytest.mark.parametrize(
    "text", ["5", "a-b", "9-3", "-5", "5-5", "nan-3", "1-nan", "1e12-2e12", "inf-1", "3-inf"]
)
def test_what_is_no_step_is_refused(text: str):
    """In one sentence, with the step and an example."""
    with pytest.raises(InputError, match=r"turn: found '.*', expected its begin and its end"):
        LayoutQuery(turn=text).steps()


def test_what_cannot_be_asked_is_refused():
    """No step at all, a bus that is none, steps an hour apart."""
    with pytest.raises(InputError, match="found no step"):
        LayoutQuery().asked(HERE, 1)
    with pytest.raises(InputError, match="bus: found 3, expected 0 to 1"):
        LayoutQuery(turn="1-9", bus=3).asked(HERE, 2)
    with pytest.raises(InputError, match="within 3600 s"):
        LayoutQuery(turn="1-9", load="9000-9020").asked(HERE, 1)
