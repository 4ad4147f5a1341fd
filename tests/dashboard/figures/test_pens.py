"""Which joints are drawn: at most four, each with a pen that no other has."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.pens import MAX_PENS, choose_pens, drawn_text, keep_pens
from dashboard.figures.row_plan import plan_rows

MANY = tuple("abcdefghijkl")
names = st.sampled_from(MANY)


@given(
    st.lists(st.sampled_from((*MANY, "", "unknown")), max_size=9) | st.none(),
    st.permutations(MANY),
    st.integers(0, len(MANY)),
)
def test_no_two_joints_share_a_pen(chosen, worst_first, count):
    """Whatever was chosen, repeated or unknown; and what is drawn is there."""
    order = [joint for joint in worst_first if joint in MANY[:count]]
    pens = choose_pens(order, MANY[:count], chosen)
    assert len(set(pens.values())) == len(pens) <= MAX_PENS
    assert set(pens) <= set(MANY[:count])
    assert all(1 <= pen <= MAX_PENS for pen in pens.values())


def test_few_joints_are_all_drawn_in_the_order_of_the_bench():
    """However urgent, and whatever an address says."""
    joints = MANY[:MAX_PENS]
    wanted = dict(zip(joints, (1, 2, 3, 4), strict=True))
    assert choose_pens(joints[::-1], joints) == wanted
    assert choose_pens(joints[::-1], joints, ["d"]) == wanted


def test_of_many_the_three_most_urgent_are_drawn():
    """Until the reader chooses: a joint for each pen, so that the others keep theirs."""
    assert choose_pens(["f", "k", "a", "b"], MANY) == {"f": 1, "k": 2, "a": 3}
    assert choose_pens(["f"], MANY, ["", "k", "", "a"]) == {"k": 2, "a": 4}
    for nothing in ([], ["", ""], ["unknown"]):
        assert choose_pens(["f"], MANY, nothing) == {"f": 1}


@given(
    st.lists(names, unique=True, min_size=1, max_size=4),
    st.lists(names, unique=True, min_size=1, max_size=4),
)
def test_a_joint_that_stays_keeps_its_pen(first, then):
    """And those that come take the pens that are free."""
    before = dict(zip(first, (1, 2, 3, 4), strict=False))
    after = keep_pens(before, dict(zip(then, (1, 2, 3, 4), strict=False)))
    assert set(after) == set(then)
    assert len(set(after.values())) == len(after)
    assert all(after[joint] == before[joint] for joint in then if joint in before)
    assert list(after.values()) == sorted(after.values())


def test_rows_have_the_chosen_joints_with_their_pens():
    """Of twelve joints the last two, in the second and fourth pen."""
    channels = dict.fromkeys(MANY, ("temperature_housing_degC", "torque_Nm"))
    rows = plan_rows(channels, {}, joint_pens={"k": 2, "l": 4})
    assert [[(pen.joint, pen.number) for pen in row.pens] for row in rows] == [
        [("k", 2), ("l", 4)],
        [("k", 2), ("l", 4)],
    ]


@pytest.mark.parametrize(
    ("drawn", "joints", "text"), [(3, 24, "3 of 24 drawn, 21 not"), (4, 4, ""), (0, 0, "")]
)
def test_how_many_are_not_drawn_is_said(drawn: int, joints: int, text: str):
    """And nothing where all are."""
    assert drawn_text(drawn, joints) == text
