"""Loads whose duty type is known by how they are made, and their reasons."""

import numpy as np
import pytest

from replay.duty.duty_type import DutyReason, DutyType, LoadProfile, duty_type

TAU_S = 1200.0


def _found(load, *, cycles=None, tau_s=TAU_S, settled=None):
    load = np.asarray(load, float)
    held = np.isfinite(load).astype(float)
    return duty_type(
        held,
        np.nan_to_num(load) ** 2,
        cycles=cycles,
        time_constant_s=tau_s,
        is_settled=settled,
    )


def _cycle(load, speed=None):
    load = np.tile(np.asarray(load, float), 5)
    turning = np.full(len(load), np.nan) if speed is None else np.tile(speed, 5)
    return LoadProfile(load=load, speed=turning)


@pytest.mark.parametrize(
    ("load", "options", "kind", "reason"),
    [
        (np.full(7200, 6.0), {"settled": True}, "S1", DutyReason.CONSTANT_SETTLED),
        (np.full(7200, 6.0), {}, "S1", DutyReason.CONSTANT_SETTLED),
        (np.full(900, 6.0), {}, "not known", DutyReason.CONSTANT_NOT_SETTLED),
        (np.full(7200, 6.0), {"tau_s": None}, "not known", DutyReason.CONSTANT_NOT_SETTLED),
        (
            np.append(np.full(900, 6.0), np.zeros(4000)), {}, "S2",
            DutyReason.CONSTANT_THEN_REST,
        ),
        (
            np.append(np.full(900, 6.0), np.zeros(1500)), {}, "not known",
            DutyReason.REST_TOO_SHORT,
        ),
        (np.repeat([6.0, 2.0, 8.0, 1.0], 1200), {}, "none of S1, S2, S3, S6", DutyReason.NO_CYCLE),
        (np.zeros(900), {}, "not known", DutyReason.NO_LOAD),
        (np.full(900, np.nan), {}, "not known", DutyReason.NO_LOAD),
    ],
)  # fmt: skip
def test_loads_without_cycles(load, options, kind, reason):
    """Constant until settled or not, taken away, changing, none."""
    found = _found(load, **options)
    assert (found.kind.value, found.reason) == (kind, reason)


@pytest.mark.parametrize(
    ("speed", "kind", "reason"),
    [
        ([2.0] * 4 + [0.0] * 6, DutyType.S3, DutyReason.CYCLES_WITH_REST),
        ([2.0] * 10, DutyType.S6, DutyReason.CYCLES_RUNNING_IDLE),
        (None, DutyType.NOT_KNOWN, DutyReason.CYCLES_REST_OR_IDLE),
    ],
)
def test_loads_with_cycles(speed, kind, reason):
    """4 s on and 6 s off: a cyclic duration factor of 40 % (loaded time against the cycle's)."""
    load = [6.0] * 4 + [0.0] * 6
    found = _found(np.tile(load, 100), cycles=_cycle(load, speed))
    assert (found.kind, found.reason) == (kind, reason)
    assert found.loaded_share == pytest.approx(0.4)
    assert found.loaded_rms == pytest.approx(6.0)
    assert not found.is_varying


def test_cycles_that_never_rest_are_none_of_them():
    """A load that varies and never goes; and a varying load beside rest is told as such."""
    found = _found(np.tile([6.0, 3.0], 400), cycles=_cycle([6.0, 3.0]))
    assert (found.kind, found.reason) == (DutyType.OTHER, DutyReason.CYCLES_WITHOUT_REST)
    assert found.is_varying
