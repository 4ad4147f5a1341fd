"""Things that were worked out are kept within bounds, the newest ones."""

from replay.tuning.kept import Kept


def test_what_is_asked_for_again_is_not_made_again():
    """A thing is made once while it is kept."""
    made = []
    kept: Kept[bytes] = Kept(100, len)
    for _ in range(3):
        assert kept.made("a", lambda: made.append(1) or b"x" * 10) == b"x" * 10
    assert made == [1]


def test_the_one_that_was_used_longest_ago_goes():
    """Beyond the bound the oldest use goes first, and the sizes are kept account of."""
    kept: Kept[bytes] = Kept(100, len)
    for name in "abc":
        kept.put(name, b"x" * 40)
        kept.get("a")
    assert kept.get("a") is not None
    assert kept.get("b") is None
    assert kept.get("c") is not None
    kept.put("a", b"y" * 60)
    assert kept.get("c") is not None
    assert kept.get("a") == b"y" * 60


def test_what_has_no_room_is_given_back_and_not_kept():
    """One that is larger than the bound drives nothing else out."""
    kept: Kept[bytes] = Kept(100, len)
    kept.put("a", b"x" * 50)
    assert kept.put("b", b"y" * 200) == b"y" * 200
    assert kept.get("b") is None
    assert kept.get("a") is not None
