"""The fuzz target itself, for a moment in the quick suite and for minutes in the slow one."""

import pytest

from tests.support.fuzz_decode import fuzz


@pytest.mark.parametrize(
    ("seconds", "seed"), [(3.0, 0), pytest.param(300.0, 1_000_000, marks=pytest.mark.slow)]
)
def test_whatever_comes_is_decoded_or_counted(seconds: float, seed: int):
    """Random layouts and random frames: no crash, no frame unaccounted for, any chunking alike."""
    rounds, taken = fuzz(seconds=seconds, seed=seed)
    assert rounds > 20
    assert taken > 5
