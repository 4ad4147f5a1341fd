"""The joints in real time on a serial line, answering requests.

They begin warm and start to work with the first question, so that a recording begins where the
duty cycle does. About a minute later the fan fails; somebody notices when the shoulder has got hot,
and three quarters of an hour on it fails again. One thread: while the next cycles are worked out,
questions are still answered.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.joint.bench.identifiers import identifier_for
from logger.simulate.arm import ARM
from logger.simulate.cycle import CYCLE_S, STEP_S, STEPS
from logger.simulate.encode import encode_frames
from logger.simulate.endurance import CycleRun, next_cycles, warm_start
from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.sampling import CHANNELS_OF, sensor_values
from logger.simulate.scenario import scenario_bench
from logger.simulate.serial_line import SerialLine
from logger.simulate.warming import Fan

__all__ = ["LiveArm", "demo_fan", "serve_joints"]

log = logging.getLogger(__name__)

FAN_FAILS_S: Final = 48.0
DEMO_NOTICED_AFTER_S: Final = 200.0
FAILS_AGAIN_AFTER_S: Final = 2400.0
"""Long enough for the shoulder to come back below every drop-off."""

LIVE_CYCLES_AT_ONCE: Final = 8
CYCLES_AHEAD: Final = 3
SIMULATOR_IDLE_S: Final = 0.2
MAX_SPEED: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Response:
    """What one question brings: a frame of one joint."""

    joint: int
    kind: str
    identifier: int
    extended: bool
    length: int


PayloadTables = dict[tuple[int, str], NDArray[np.uint8]]
"""(joint, kind of frame) -> payloads, one for each step of a cycle, shape (STEPS, 8)."""


def demo_fan() -> Fan:
    """Return the fan of the demo, with its failures."""
    return Fan(
        fails_s=FAN_FAILS_S,
        noticed_after_s=DEMO_NOTICED_AFTER_S,
        again_after_s=FAILS_AGAIN_AFTER_S,
    )


class LiveArm:
    """Both joints: cycles worked out ahead, and the answer to a question at a given time."""

    def __init__(self, *, seed: int, speed: float, clock: Callable[[], float]) -> None:
        """Prepare the first cycles; `clock` gives seconds, `speed` multiplies its pace."""
        self._bench = scenario_bench()
        self._seed = seed
        self._speed = speed
        self._clock = clock
        self._responses = _response_table(self._bench)
        self._frames = {
            (joint_index, frame.name): frame
            for joint_index, model in enumerate(ARM)
            for frame in self._bench.layout_of(self._bench.joint_named(model.name)).frame
        }
        self._progress = warm_start(demo_fan())
        self._ready: dict[int, PayloadTables] = {}
        self._start_time_s: float | None = None
        self._compute_cycles(between=lambda: None)

    def responses_to(self, frame: CanFrame) -> list[CanFrame]:
        """Return the responses of the joints to a frame; none if it addresses none of them."""
        if frame.remote:
            return []
        response = self._responses.get((frame.identifier, frame.extended, frame.data))
        if response is None:
            return []
        cycle, step = self._current_step()
        payload = self._ready[cycle][(response.joint, response.kind)][
            step, : response.length
        ].tobytes()
        return [CanFrame(identifier=response.identifier, extended=response.extended, data=payload)]

    def compute_ahead(self, between: Callable[[], None]) -> None:
        """Work out further cycles if few are left; `between` is called every few milliseconds."""
        if self._start_time_s is None:
            return
        cycle, _ = self._current_step()
        for past in [number for number in self._ready if number < cycle]:
            del self._ready[past]
        if max(self._ready) - cycle < CYCLES_AHEAD * max(1.0, self._speed / 2.0):
            self._compute_cycles(between)

    def _current_step(self) -> tuple[int, int]:
        """Return the cycle and the step in it; the first call starts the run.

        Where the machine was held up for longer than was computed ahead, the arm goes on from
        where it was: the run's beginning moves.
        """
        now = self._clock()
        if self._start_time_s is None:
            self._start_time_s = now
        run_s = max(0.0, (now - self._start_time_s) * self._speed)
        lag_s = run_s - (max(self._ready) + 1) * CYCLE_S
        if lag_s >= 0.0:
            log.warning("the joints were held up for %.1f s of their time", lag_s)
            run_s -= lag_s + STEP_S
            self._start_time_s = now - run_s / self._speed
        cycle = min(int(run_s / CYCLE_S), max(self._ready))
        step = min(int((run_s - cycle * CYCLE_S) / STEP_S), STEPS - 1)
        return cycle, step

    def _compute_cycles(self, between: Callable[[], None]) -> None:
        cycle_run, progress = next_cycles(
            self._progress, max_cycles=LIVE_CYCLES_AT_ONCE, seed=self._seed, between=between
        )
        for index in range(cycle_run.count):
            self._ready[cycle_run.first_cycle + index] = self._payload_tables(
                cycle_run, index, between
            )
        self._progress = progress

    def _payload_tables(
        self, cycle_run: CycleRun, index: int, between: Callable[[], None]
    ) -> PayloadTables:
        """Return the payloads of one cycle, for each step, joint and kind of frame."""
        cycle = cycle_run.first_cycle + index
        # The middle of each step, so that no rounding picks its neighbour.
        time_s = cycle * CYCLE_S + (np.arange(STEPS, dtype=np.float64) + 0.5) * STEP_S
        rng = np.random.default_rng([self._seed, 17, cycle])
        tables: PayloadTables = {}
        for joint_index, model in enumerate(ARM):
            settings = self._bench.joint_named(model.name)
            for kind in CHANNELS_OF:
                columns = sensor_values(
                    cycle_run, joint=joint_index, kind=kind, time_s=time_s, rng=rng
                )
                tables[(joint_index, kind)] = encode_frames(
                    self._frames[(joint_index, kind)], settings, columns
                )
                between()
        return tables


def _response_table(the_bench: Bench) -> dict[tuple[int, bool, bytes], _Response]:
    """Return for each question (identifier, extended, payload) what it brings."""
    responses: dict[tuple[int, bool, bytes], _Response] = {}
    for joint_index, model in enumerate(ARM):
        settings = the_bench.joint_named(model.name)
        layout = the_bench.layout_of(settings)
        for request in layout.request:
            (answer,) = layout.response_frames_of(request)
            frame = layout.frame[answer]
            request_key = identifier_for(
                request.identifier, settings.node, extended=request.extended, where=request.name
            )
            responses[(request_key, request.extended, bytes.fromhex(request.data))] = _Response(
                joint=joint_index,
                kind=frame.name,
                identifier=identifier_for(
                    frame.identifier, settings.node, extended=frame.extended, where=frame.name
                ),
                extended=frame.extended,
                length=frame.length,
            )
    return responses


def serve_joints(
    *,
    link: Path,
    seed: int,
    clock: Callable[[], float],
    stopped: Callable[[], bool],
    ready: Callable[[Path], None],
    speed: float = 1.0,
) -> None:
    """Run the joints on a serial line at `link` until `stopped` returns true.

    Parameters
    ----------
    link
        Where the symbolic link to the pseudo-terminal is put.
    seed
        Chooses payloads and noise.
    clock
        Seconds that never go back, such as time.monotonic.
    stopped
        Called several times a second.
    ready
        Called once, when the line can be opened.
    speed
        How many times faster than the clock, up to 20.

    Raises
    ------
    InputError
        `link` cannot be made, or a setting is out of range.
    OutsideFault
        There are no pseudo-terminals here.
    """
    if not 0.0 < speed <= MAX_SPEED:
        raise InputError(f"speed: found {speed:g}, expected more than 0 and at most {MAX_SPEED:g}.")
    if seed < 0:
        raise InputError(f"seed: found {seed}, expected 0 or more.")
    with SerialLine(link) as serial_line:
        arm = LiveArm(seed=seed, speed=speed, clock=clock)
        adapter = LineProtocol(arm.responses_to)

        def attend(timeout_s: float = 0.0) -> None:
            serial_line.write(adapter.feed_bytes(serial_line.read(timeout_s=timeout_s)))

        ready(link)
        while not stopped():
            attend(SIMULATOR_IDLE_S)
            arm.compute_ahead(attend)
