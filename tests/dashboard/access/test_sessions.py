"""Sessions end when they should, and a token cannot be guessed from what is kept."""

from dashboard.access.sessions import SESSION_LIFETIME_S, Sessions


def test_a_session_lasts_and_ends():
    """Held to its end and no longer; ended at once by whoever logs out; none is another's."""
    sessions = Sessions()
    one, other = sessions.create_token(0.0), sessions.create_token(0.0)
    assert one != other
    assert len(one) >= 43
    assert sessions.is_valid(one, SESSION_LIFETIME_S - 1)
    assert not sessions.is_valid(one, SESSION_LIFETIME_S)
    sessions.revoke(one)
    assert not sessions.is_valid(one, 1.0)
    assert sessions.is_valid(other, 1.0)
    for token in ("", "x", other[:-1], other + "A", "\ud800"):
        assert not sessions.is_valid(token, 1.0)


def test_the_token_itself_is_not_kept():
    """Only a digest is: a dump of the memory lets nobody in."""
    sessions = Sessions()
    token = sessions.create_token(0.0)
    assert token.encode() not in sessions._expiry_s


def test_their_number_is_bounded():
    """Logging in for ever takes no memory for ever; the newest go on."""
    sessions = Sessions()
    tokens = [sessions.create_token(float(k)) for k in range(800)]
    assert not sessions.is_valid(tokens[0], 800.0)
    assert sessions.is_valid(tokens[-1], 800.0)
