"""Answers that look like their requests: told from another master by their number alone."""

import pytest

from logger.bus.echo_guard import EchoGuard


def _run(echoes: EchoGuard, *, asks_Hz: float, foreign_Hz: float, answered: float = 1.0) -> float:  # noqa: N803
    """Return after how long another master was noticed within a minute; infinite: it was not.

    A joint answers what anybody asks, after 2 ms.
    """
    events = [(n / asks_Hz, 0) for n in range(int(60 * asks_Hz))]
    lost = [n for n in range(len(events)) if (n * 7919 % 1000) / 1000 >= answered]
    events += [(at_s + 0.002, 1) for n, (at_s, _) in enumerate(events) if n not in set(lost)]
    for n in range(int(60 * foreign_Hz)):
        events += [(n / foreign_Hz + 0.0005, 1), (n / foreign_Hz + 0.0025, 1)]
    for at_s, count in sorted(events):
        if count == 0:
            echoes.note_sent(at_s)
        elif echoes.note_received(count, now_s=at_s):
            return at_s
    return float("inf")


@pytest.mark.parametrize("asks_Hz", [0.3, 10.0, 200.0])
@pytest.mark.parametrize("answered", [1.0, 0.9, 0.0])
def test_answers_alone_are_nobody_else(asks_Hz: float, answered: float):  # noqa: N803
    """At any rate, with losses or a joint that is off: never taken for another master."""
    assert _run(EchoGuard(), asks_Hz=asks_Hz, foreign_Hz=0.0, answered=answered) == float("inf")


@pytest.mark.parametrize(("foreign_Hz", "within_s"), [(100.0, 1.1), (5.0, 1.5), (0.5, 5.0)])
def test_somebody_else_is_noticed(foreign_Hz: float, within_s: float):  # noqa: N803
    """A master beside us, and its answers, are more than we asked for: after at least a second."""
    assert 1.0 <= _run(EchoGuard(), asks_Hz=20.0, foreign_Hz=foreign_Hz) <= within_s


def test_two_too_many_are_tolerated():
    """A frame that an adapter tells twice, now and then, ends nothing once we ask."""
    echoes = EchoGuard()
    assert echoes.note_received(1, now_s=-9.0)
    echoes.note_sent(-9.0)
    assert not echoes.note_received(51, now_s=0.0)
    for second in range(2, 60):
        echoes.note_sent(float(second))
        assert not echoes.note_received(1, now_s=second + 0.01)
    for at_s in (70.0, 76.0):
        assert not echoes.note_received(1, now_s=at_s)
    # However many at once, a third time within ten seconds is the proof.
    assert echoes.note_received(1, now_s=79.0)
