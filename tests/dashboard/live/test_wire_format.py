"""How live updates travel: nothing lost between the two ends."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from dashboard.live.json_patch import apply_diff, apply_edits, diff_values, list_edits
from dashboard.live.wire_format import UPDATE_HEADER, Update, pack_update, unpack_update

WORDS = st.recursive(
    st.integers(-3, 3) | st.text("ab", max_size=2) | st.booleans(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("xyz"), inner),
    max_leaves=12,
)
TOLD = st.dictionaries(st.sampled_from("pqrst"), WORDS)


@given(
    count=st.integers(0, 5),
    channels=st.integers(1, 4),
    seed=st.integers(0, 2**32 - 1),
    whole=st.booleans(),
)
def test_an_update_survives_the_wire(count, channels, seed, whole):
    """What is unpacked is what was packed, to the precision of a float32."""
    dice = np.random.default_rng(seed)
    sent = Update(
        whole=whole,
        serial=seed,
        now_s=dice.random() * 1e6,
        start_s=dice.random() * 1e6,
        width_s=dice.random(),
        newest=dice.normal(size=(channels, 2)).astype(np.float32).astype(float),
        bins=dice.normal(size=(count, channels, 3)).astype(np.float32).astype(float),
    )
    message = pack_update(sent)
    assert len(message) == UPDATE_HEADER.size + 8 * channels + 12 * channels * count
    came = unpack_update(message)
    assert (came.whole, came.serial, came.now_s, came.start_s, came.width_s) == (
        (sent.whole, sent.serial, sent.now_s, sent.start_s, sent.width_s)
    )
    np.testing.assert_array_equal(came.newest, sent.newest)
    np.testing.assert_array_equal(came.bins, sent.bins)


@given(TOLD, TOLD)
def test_only_what_changed_travels(before: dict, now: dict):
    """Put into what was known, the changes give what is; nothing changed is nothing told."""
    assert apply_diff(before, diff_values(before, now)) == now
    assert diff_values(now, now) == {}
    assert diff_values({}, now) == now


@given(st.lists(st.integers(0, 5)), st.lists(st.integers(0, 5)))
def test_a_long_list_travels_as_what_goes_and_comes(before: list[int], now: list[int]):
    """The splices make the one of the other; where nothing changed there are none."""
    assert apply_edits(before, list_edits(before, now)) == now
    assert list_edits(now, now) == []


def test_one_more_of_many_is_one_splice():
    """What stays does not travel again."""
    many = [{"x0": number, "text": "an alert"} for number in range(500)]
    one = {"x0": 500, "text": "another"}
    assert list_edits(many, [*many[3:], one]) == [[500, 0, one], [0, 3]]
