"""The programme in time: where the joint is, what its frames say, what is read off. Pure.

The state goes on from scene to scene: what was warmed is warm in the next. When the programme is
through, it begins anew.
"""
# ruff: noqa: N802, N806 - units are written as units are

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import exact_step
from logger.simulate.commissioning.dynamics import (
    DYNAMICS_STEP_S,
    MotionState,
    SetPoint,
    advance_joint,
)
from logger.simulate.commissioning.geared_joint import BENCH_JOINT, GearedJoint
from logger.simulate.commissioning.instruments import read_mark, read_ruler, read_scale
from logger.simulate.commissioning.programme import ReadOff, Scene, commissioning_scenes

__all__ = ["FRAME_PERIODS_S", "BenchEvent", "BenchRun"]

FRAME_PERIODS_S: Final = {"axis": 0.01, "output": 0.02, "asked": 0.02, "warmth": 0.2}
"""Kind of frame -> how often it comes."""

AMBIENT_DEGC: Final = 22.5
_HEAT_STEP_S: Final = 0.1
_MODE_CODES: Final = {"off": 0, "torque": 1, "speed": 2, "position": 3}
_CURRENT_NOISE_A: Final = 0.015
_SPEED_NOISE_RAD_S: Final = 0.002
_VOLTAGE_NOISE_V: Final = 0.02
_TEMPERATURE_NOISE_K: Final = 0.15
_MOST_STEPS: Final = round(_HEAT_STEP_S / DYNAMICS_STEP_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchEvent:
    """Something that a person at the bench sees or reads off."""

    at_s: float
    kind: Literal["scene", "reading"]
    name: str
    """Of the scene, or of the reading as the measurement names it."""
    words: str
    """What is done, or the reading as it is typed: "scale=3.25 kg at 6.01 A"."""


class BenchRun:
    """The joint on its bench from the first scene on."""

    def __init__(
        self,
        *,
        seed: int,
        joint: GearedJoint = BENCH_JOINT,
        scenes: tuple[Scene, ...] | None = None,
    ) -> None:
        """Begin at rest at ambient temperature, before the first scene."""
        self.joint = joint
        self.scenes = scenes or commissioning_scenes()
        self.state = MotionState()
        self.time_s = 0.0
        """Of the run, from the first scene on."""
        self._dice = np.random.default_rng([seed, 19])
        self._zero_m = float(self._dice.uniform(0.1, 0.2))
        """Where the ruler was put."""
        self._events: list[BenchEvent] = []
        self._number = -1
        self._scene_start_s = self._scene_end_s = 0.0
        self._to_read: list[ReadOff] = []
        self._winding_K = self._housing_K = self._drive_K = 0.0
        self._heated_s = 0.0
        self._heat = exact_step(joint.network, duration_s=_HEAT_STEP_S)
        self._ceiling_share = 1.0
        self._next_scene()

    @property
    def scene(self) -> Scene:
        """The scene that is played."""
        return self.scenes[self._number]

    @property
    def length_s(self) -> float:
        """Of the programme once through."""
        return sum(scene.length_s for scene in self.scenes)

    @property
    def winding_degC(self) -> float:
        """Temperature of the winding."""
        return AMBIENT_DEGC + self._winding_K

    def advance_to(self, time_s: float) -> None:
        """Go on to a time of the run."""
        while self.time_s < time_s - 0.5 * DYNAMICS_STEP_S:
            until = min(time_s, self._scene_end_s, self._heated_s + _HEAT_STEP_S)
            if self._to_read:
                until = min(until, self._scene_start_s + self._to_read[0].at_s)
            steps = max(1, round((until - self.time_s) / DYNAMICS_STEP_S))
            self._advance(min(steps, _MOST_STEPS))

    def take_events(self) -> list[BenchEvent]:
        """Return what happened since the last call."""
        taken, self._events = self._events, []
        return taken

    def frame_values(self, kind: str) -> dict[str, Floats]:
        """Return the channels of one kind of frame now, shape (1,) each; NaN: no value."""
        values = dict(self._values(kind))
        return {name: np.array([value]) for name, value in values.items()}

    def _values(self, kind: str) -> Iterator[tuple[str, float]]:
        state, noise = self.state, self._dice.standard_normal(3)
        if kind == "axis":
            yield "current_A", state.current_A + _CURRENT_NOISE_A * noise[0]
            yield "speed_rad_s", state.motor_rad_s + _SPEED_NOISE_RAD_S * noise[1]
            yield "position_rad", state.motor_rad
        elif kind == "output":
            yield "position_output_rad", state.output_rad
            yield "voltage_V", state.voltage_V + _VOLTAGE_NOISE_V * noise[0]
            yield "state_code", float(_MODE_CODES[self._asked().mode])
        elif kind == "asked":
            asked = self._asked()
            for mode, channel in (
                ("torque", "torque_setpoint_Nm"),
                ("speed", "speed_setpoint_rad_s"),
                ("position", "position_setpoint_rad"),
            ):
                yield channel, asked.value if asked.mode == mode else math.nan
        else:
            for channel, rise in (
                ("temperature_winding_degC", self._winding_K),
                ("temperature_housing_degC", self._housing_K),
                ("temperature_drive_degC", self._drive_K),
            ):
                yield channel, AMBIENT_DEGC + rise + _TEMPERATURE_NOISE_K * noise[0]
                noise = np.roll(noise, 1)
            yield "fault_code", 1.0 if self._ceiling_share < 1.0 else 0.0

    def _asked(self) -> SetPoint:
        return self.scene.setpoint(self.time_s - self._scene_start_s)

    def _next_scene(self) -> None:
        self._number = (self._number + 1) % len(self.scenes)
        scene = self.scene
        self._scene_start_s = self.time_s
        self._scene_end_s = self.time_s + scene.length_s
        self._to_read = list(scene.readings)
        if scene.mounting.is_clamped:
            self.state.output_rad_s = 0.0
        self._events.append(
            BenchEvent(at_s=self.time_s, kind="scene", name=scene.name, words=scene.words)
        )

    def _advance(self, steps: int) -> None:
        scene = self.scene
        advance_joint(
            self.state,
            self.joint,
            scene.mounting,
            steps=steps,
            start_s=self.time_s - self._scene_start_s,
            setpoint=scene.setpoint,
            external_Nm=scene.external_Nm,
            ceiling_share=self._ceiling_share,
        )
        self.time_s += steps * DYNAMICS_STEP_S
        half = 0.5 * DYNAMICS_STEP_S
        if self.time_s > self._heated_s + _HEAT_STEP_S - half:
            self._warm(self.time_s - self._heated_s)
        while self._to_read and self.time_s > self._scene_start_s + self._to_read[0].at_s - half:
            self._read_off(self._to_read.pop(0))
        if self.time_s > self._scene_end_s - half:
            self._next_scene()

    def _warm(self, length_s: float) -> None:
        """Take the heat of the last tenth of a second into winding, housing and drive."""
        joint, step = self.joint, self._heat
        square = self.state.squared_A2_s / length_s
        self.state.squared_A2_s = 0.0
        self._heated_s = self.time_s
        loss_W = square * float(joint.winding.resistance_at(AMBIENT_DEGC + self._winding_K))
        self._winding_K, self._housing_K = (
            step.winding_from_winding * self._winding_K
            + step.winding_from_housing * self._housing_K
            + step.winding_K_per_W * loss_W,
            step.housing_from_winding * self._winding_K
            + step.housing_from_housing * self._housing_K
            + step.housing_K_per_W * loss_W,
        )
        time_constant = joint.drive_K_per_W * joint.drive_J_per_K
        target = joint.drive_K_per_W * (1.1 + 0.03 * square) + 0.3 * self._housing_K
        self._drive_K += (target - self._drive_K) * length_s / time_constant
        over_K = round(self.winding_degC) - joint.derates_from_degC
        self._ceiling_share = min(max(1.0 - joint.derating_per_K * max(over_K, 0.0), 0.5), 1.0)

    def _read_off(self, read: ReadOff) -> None:
        state, mounting = self.state, self.scene.mounting
        if read.instrument == "mark":
            name = "turned"
            words = f"turned={read_mark(state.output_rad)} at {self.scene.name}"
        elif read.instrument == "scale":
            shown = read_scale(abs(state.gear_Nm))
            name = "nudged" if read.is_nudged else "scale"
            words = f"{name}={shown} at {abs(state.current_A):.2f} A"
        else:
            torque = self.scene.external_Nm(read.at_s)
            bent = torque / mounting.bends_Nm_per_rad
            shown = read_ruler(state.output_rad + bent, self._zero_m, self._dice)
            words = f"tip={shown} at {read.force_N:+g} N"
            name = "tip"
        self._events.append(BenchEvent(at_s=self.time_s, kind="reading", name=name, words=words))
