"""Work that several threads ask for at once is done once; a fault is told to all and not kept."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from replay.single_flight import SingleFlight


def test_who_asks_meanwhile_waits_for_the_same_work():
    """Eight threads, one call; all get its result, and so does who asks afterwards."""
    flights: SingleFlight[int] = SingleFlight(most=2)
    calls, go_on = [], threading.Event()

    def make() -> int:
        calls.append(1)
        assert go_on.wait(60)
        return 7

    with ThreadPoolExecutor(8) as pool:
        asked = [pool.submit(flights.get, "key", make) for _ in range(8)]
        go_on.set()
        assert [one.result(20) for one in asked] == [7] * 8
    assert flights.get("key", lambda: 8) == 7
    assert calls == [1]


def test_only_the_newest_are_kept():
    """The one that was asked for longest ago is worked out anew."""
    flights: SingleFlight[int] = SingleFlight(most=2)
    for key in (1, 2, 1, 3):
        assert flights.get(key, lambda key=key: key) == key
    assert len(flights) == 2
    assert flights.get(1, lambda: -1) == 1
    assert flights.get(2, lambda: -2) == -2


def test_a_fault_is_not_kept():
    """It reaches who asked, and the next one tries again."""
    flights: SingleFlight[int] = SingleFlight(most=2)

    def fails() -> int:
        raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        flights.get("key", fails)
    assert flights.get("key", lambda: 1) == 1
