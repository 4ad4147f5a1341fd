import hashlib

import numpy as np
import pytest

from logger.errors import InputError
from logger.simulate.offline import simulate_frames
from tests.support.demo_drive import HEALTH, MOTION, SET_POINTS, answer_id

START_NS = 1_795_599_000_000_000_000
SHOULDER, ELBOW = answer_id(3), answer_id(4)


def joined(**chosen):
    """Return the batches of a test and its columns end to end."""
    batches = list(simulate_frames(start_ns=START_NS, **chosen))
    time_ns = np.concatenate([batch.time_ns for batch in batches])
    identifier = np.concatenate([batch.identifier for batch in batches])
    data = np.concatenate([batch.data for batch in batches])
    return batches, time_ns, identifier, data


def digest(**chosen):
    """Return a checksum over every column of a test."""
    whole = hashlib.sha256()
    for batch in simulate_frames(start_ns=START_NS, **chosen):
        for column in (batch.time_ns, batch.identifier, batch.length, batch.data):
            whole.update(column.tobytes())
    return whole.hexdigest()


def test_the_same_seed_gives_the_same_bytes():
    """Same settings, same frames to the last bit; another seed, another test."""
    first = digest(hours=0.03, rate_Hz=50.0, seed=4)
    assert digest(hours=0.03, rate_Hz=50.0, seed=4) == first
    assert digest(hours=0.03, rate_Hz=50.0, seed=5) != first


@pytest.mark.parametrize("rate_Hz", [1.0, 7.5, 100.0, 1000.0])
def test_frames_come_in_order_at_their_rates(rate_Hz):  # noqa: N803
    """Time never goes back, jitter is tens of microseconds, every kind has its rate."""
    batches, time_ns, identifier, data = joined(hours=0.02, rate_Hz=rate_Hz, seed=1)
    assert np.all(np.diff(time_ns) >= 0)
    assert time_ns[0] >= START_NS
    assert time_ns[-1] < START_NS + 72 * 10**9 + 2 * 10**6
    assert all((batch.time_ns[-1] - batch.time_ns[0]) < 65 * 10**9 for batch in batches)
    expected = {MOTION: rate_Hz, SET_POINTS: rate_Hz / 5 if rate_Hz >= 5 else rate_Hz}
    expected[HEALTH] = rate_Hz / max(1, min(10, int(rate_Hz)))
    assert expected[HEALTH] >= 1.0
    for joint in (SHOULDER, ELBOW):
        for kind, rate in expected.items():
            mine = time_ns[(identifier == joint) & (data[:, 1] >> 5 == kind)]
            assert len(mine) == pytest.approx(72 * rate, abs=1)
            period_ns = np.diff(mine) - 1e9 / rate
            assert np.abs(period_ns).max() < 60e3


def test_the_layout_of_the_payloads():
    """Lengths as the layout says, nothing beyond them, temperatures whole and sane."""
    _, _, identifier, data = joined(hours=0.02, rate_Hz=100.0, seed=1)
    health = data[(identifier == SHOULDER) & (data[:, 1] >> 5 == HEALTH)]
    assert np.all(health[:, 5:] == 0)
    assert np.all((health[:, 4] >= 62 + 55) & (health[:, 4] <= 69 + 55))
    volts = (health[:, 1].astype(int) % 32 * 256 + health[:, 0]) * 0.02
    assert 46.0 < volts.min() < 47.9
    assert volts.max() < 49.0


def trips_and_clears(degrees, *, above=80, drop_off=76):
    """Count pick-ups and drop-offs in plain Python, without delays."""
    tripped, trips, clears = False, 0, 0
    for reading in degrees:
        if not tripped and reading >= above:
            tripped, trips = True, trips + 1
        elif tripped and reading <= drop_off:
            tripped, clears = False, clears + 1
    return trips, clears


@pytest.mark.parametrize(
    "hours",
    [0.5, 0.75, 1.0, *(pytest.param(long, marks=pytest.mark.slow) for long in (2.0, 6.0, 24.0))],
)
def test_exactly_one_trip_and_it_cools(hours):
    """Every test from half an hour to a day: hot once, after the fan failed, and cool again."""
    _, time_ns, identifier, data = joined(hours=hours, rate_Hz=1.0, seed=2)
    for joint, trips in ((SHOULDER, (1, 1)), (ELBOW, (0, 0))):
        mine = (identifier == joint) & (data[:, 1] >> 5 == HEALTH)
        degrees = data[mine, 4].astype(int) - 55
        assert trips_and_clears(degrees.tolist()) == trips
        if joint == SHOULDER:
            hot_s = (time_ns[mine][np.argmax(degrees >= 80)] - START_NS) / 1e9
            assert 0.55 * hours * 3600 < hot_s < 0.85 * hours * 3600
            before = degrees[: int(0.55 * len(degrees))]
            assert before.max() < 70
            assert degrees.max() <= 86
            assert degrees[0] == pytest.approx(24 if hours >= 1 else 65, abs=2)


def test_a_campaign_of_ninety_days_can_be_made():
    """It begins like any other; what a day takes is made as it is asked for."""
    first = next(simulate_frames(hours=90 * 24.0, rate_Hz=1.0, start_ns=START_NS))
    assert START_NS <= first.time_ns[0] < START_NS + 10**9


@pytest.mark.parametrize(
    ("chosen", "message"),
    [
        ({"hours": 0.0}, "hours: found 0, expected more than 0"),
        ({"hours": 2401.0}, "hours: found 2401, expected more than 0 and at most 2400"),
        ({"hours": 1.0, "rate_Hz": 0.5}, "rate: found 0.5 Hz, expected 1 to 1000"),
        ({"hours": 1.0, "rate_Hz": 2000.0}, "rate: found 2000 Hz"),
        ({"hours": 1.0, "seed": -1}, "seed: found -1"),
        ({"hours": float("nan")}, "hours: found nan"),
    ],
)
def test_settings_out_of_range(chosen, message):
    """A setting out of range is said at once, not when the first frame is drawn."""
    with pytest.raises(InputError, match=message):
        simulate_frames(start_ns=START_NS, **chosen)
