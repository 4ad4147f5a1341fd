"""A long test made in simulated time: the frames that the bus would have carried.

The same joints as in the live demo, from the same stretches, sampled and encoded the same way; only
the clock is made up. The fan fails at 55 % of the test, the shoulder's housing passes 80 degC once,
somebody notices a minute later, and it cools. Deterministic: same settings, same bytes.
"""
# ruff: noqa: N803, N815 - units are written as units are

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import Frame
from logger.simulate.arm import ARM
from logger.simulate.cycle import CYCLE_S
from logger.simulate.encode import encode_frames
from logger.simulate.endurance import CycleRun, cold_start, next_cycles, warm_start
from logger.simulate.sampling import CHANNELS_OF, sensor_values
from logger.simulate.scenario import scenario_bench
from logger.simulate.warming import Fan

__all__ = ["WARM_BELOW_HOURS", "simulate_frames"]

WARM_BELOW_HOURS: Final = 1.0
"""A shorter test begins warm: from cold the shoulder would not get hot in time."""
FAN_FAILS_AT: Final = 0.55
TEST_NOTICED_AFTER_S: Final = 60.0

TEST_CYCLES_AT_ONCE: Final = 128
CYCLES_PER_BATCH: Final = 8
"""About a minute of frames in a batch."""

SLOT_S: Final = 130e-6
"""From one answer to the next on the bus: request and answer of this size take about that long."""
JITTER_S: Final = 50e-6
RATES_HZ: Final = (1.0, 1000.0)
MAX_HOURS: Final = 24.0 * 100


@dataclass(frozen=True, slots=True, kw_only=True)
class _FrameStream:
    """One kind of frame of one joint."""

    joint: int
    settings: JointSettings
    frame: Frame
    identifier: int
    every: int
    """Comes with every so-manieth motion frame."""
    delay_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _TestSettings:
    """The settings of a test, looked up once."""

    streams: tuple[_FrameStream, ...]
    rate_Hz: float
    start_ns: int


def simulate_frames(
    *, hours: float, rate_Hz: float = 100.0, seed: int = 1, start_ns: int
) -> Iterator[FrameBatch]:
    """Yield the frames of a test, about a minute at a time, in order of time.

    Parameters
    ----------
    hours
        Length of the test. Up to an hour it begins warm, else at ambient temperature.
    rate_Hz
        Motion frames a second of each joint, 1 to 1000; set-points come at a fifth of it, health at
        a tenth but at least once a second.
    seed
        Chooses payloads, noise and jitter.
    start_ns
        When the test begins.

    Raises
    ------
    InputError
        At the call: `hours` or `rate_Hz` out of range.
    """
    if not 0.0 < hours <= MAX_HOURS:
        raise InputError(f"hours: found {hours:g}, expected more than 0 and at most {MAX_HOURS:g}.")
    low, high = RATES_HZ
    if not low <= rate_Hz <= high:
        raise InputError(f"rate: found {rate_Hz:g} Hz, expected {low:g} to {high:g} Hz.")
    if seed < 0:
        raise InputError(f"seed: found {seed}, expected 0 or more.")
    return _simulated_batches(hours * 3600.0, rate_Hz, seed, start_ns)


def _simulated_batches(
    length_s: float, rate_Hz: float, seed: int, start_ns: int
) -> Iterator[FrameBatch]:
    test = _TestSettings(
        streams=_frame_streams(scenario_bench(rate_Hz=rate_Hz), rate_Hz),
        rate_Hz=rate_Hz,
        start_ns=start_ns,
    )
    fan = Fan(fails_s=FAN_FAILS_AT * length_s, noticed_after_s=TEST_NOTICED_AFTER_S)
    progress = warm_start(fan) if length_s < WARM_BELOW_HOURS * 3600.0 else cold_start(fan)
    rng = np.random.default_rng([seed, 13])
    cycles = math.ceil(length_s / CYCLE_S)
    while progress.cycle < cycles:
        max_cycles = min(TEST_CYCLES_AT_ONCE, cycles - progress.cycle)
        cycle_run, progress = next_cycles(progress, max_cycles=max_cycles, seed=seed)
        for first in range(0, cycle_run.count, CYCLES_PER_BATCH):
            begin = cycle_run.start_s + first * CYCLE_S
            end = min(begin + CYCLES_PER_BATCH * CYCLE_S, cycle_run.end_s, length_s)
            batch = _sampled_batch(test, cycle_run, (begin, end), rng)
            if len(batch):
                yield batch


def _frame_streams(the_bench: Bench, rate_Hz: float) -> tuple[_FrameStream, ...]:
    """Return the streams in the order in which a master would ask for them."""
    every_steps = {
        "motion": 1,
        "set-points": 5 if rate_Hz >= RATES_HZ[0] * 5 else 1,
        "health": max(1, min(10, int(rate_Hz))),
    }
    streams: list[_FrameStream] = []
    for kind in CHANNELS_OF:
        for joint_index, model in enumerate(ARM):
            settings = the_bench.joint_named(model.name)
            frame = next(
                frame for frame in the_bench.layout_of(settings).frame if frame.name == kind
            )
            streams.append(
                _FrameStream(
                    joint=joint_index,
                    settings=settings,
                    frame=frame,
                    identifier=identifier_for(
                        frame.identifier, settings.node, extended=frame.extended, where=kind
                    ),
                    every=every_steps[kind],
                    delay_s=SLOT_S * (len(streams) + 1),
                )
            )
    return tuple(streams)


def _sampled_batch(
    test: _TestSettings, cycle_run: CycleRun, span_s: tuple[float, float], rng: np.random.Generator
) -> FrameBatch:
    """Return the frames on request within [begin, end) of the run, sorted by time."""
    begin, end = span_s
    request_times = np.arange(
        math.ceil(begin * test.rate_Hz - 1e-6), math.ceil(end * test.rate_Hz - 1e-6)
    )
    times: list[NDArray[np.int64]] = []
    payloads: list[NDArray[np.uint8]] = []
    identifiers: list[NDArray[np.uint32]] = []
    lengths: list[NDArray[np.uint8]] = []
    for stream in test.streams:
        stream_times = request_times[request_times % stream.every == 0]
        time_s = (
            stream_times / test.rate_Hz + stream.delay_s + JITTER_S * rng.random(len(stream_times))
        )
        columns = sensor_values(
            cycle_run, joint=stream.joint, kind=stream.frame.name, time_s=time_s, rng=rng
        )
        times.append(np.rint(time_s * 1e9).astype(np.int64) + test.start_ns)
        payloads.append(encode_frames(stream.frame, stream.settings, columns))
        identifiers.append(np.full(len(stream_times), stream.identifier, np.uint32))
        lengths.append(np.full(len(stream_times), stream.frame.length, np.uint8))
    time_ns = np.concatenate(times)
    order = np.argsort(time_ns, kind="stable")
    return FrameBatch(
        time_ns=time_ns[order],
        identifier=np.concatenate(identifiers)[order],
        flags=np.zeros(len(time_ns), np.uint8),
        length=np.concatenate(lengths)[order],
        data=np.concatenate(payloads)[order],
        bus=np.zeros(len(time_ns), np.uint8),
    )
