"""How the output moves through the four steps, and how neighbours do."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.support.drives.truth import Floats, Marks

__all__ = ["GRID_HZ", "Motion", "MotionPlan", "motion_of", "neighbour_motion", "plan_motion"]

GRID_HZ = 500.0


@dataclass(frozen=True, kw_only=True)
class MotionPlan:
    """Everything that decides a motion, but for the length of the last step."""

    seed: int
    is_by_hand: bool
    setpoint_follows: bool
    """With the controller off its set-point follows the joint; else it keeps its last."""
    positive: int
    turn_rad: float
    start_rad: float
    """Where the turn begins; 0 is hanging."""
    rest_s: float
    way_s: tuple[float, float]
    mount_s: float
    rise_s: float
    through_s: float
    return_s: float
    holds_rad: tuple[float, float]
    swing_rad: float
    swing_s: float
    """Period of the swings of the last step."""
    ramp: float
    """Share of a way in which it speeds up, at most a half."""
    bandwidth_rad_s: float
    tremor_rad: float

    @property
    def peak_rad_s(self) -> float:
        """About the highest speed at the output."""
        turn = 2 * np.pi * 1.05 / min(self.way_s) * (2.6 if self.is_by_hand else 1.9)
        through = np.pi / self.through_s * 1.9
        mount = 1.9 * abs(self.start_rad) / 3.0
        return float(max(turn, through, mount, self.swing_rad * 2 * np.pi / self.swing_s * 1.3))


@dataclass(frozen=True, kw_only=True)
class Motion:
    """The motion on a grid of m times."""

    time_s: Floats
    setpoint_rad: Floats
    angle_rad: Floats
    is_driven: Floats
    """1 where the motor carries, 0 where a hand moves the joint."""
    is_loaded: Floats
    """1 where the weight hangs on the arm."""
    steps: Marks


def plan_motion(dice: np.random.Generator, *, turn_error: float) -> MotionPlan:
    """Return how a person does the steps; the turn is wrong by a share of itself."""
    holds = np.radians(dice.normal([90.0, -90.0], 1.5))
    return MotionPlan(
        seed=int(dice.integers(2**31)),
        is_by_hand=bool(dice.random() < 0.4),
        setpoint_follows=bool(dice.random() < 0.5),
        positive=1 if dice.random() < 0.7 else -1,
        turn_rad=2 * np.pi * (1 + turn_error),
        start_rad=float(dice.uniform(-2.5, 2.5)),
        rest_s=float(dice.uniform(10, 12)),
        way_s=(float(dice.uniform(6, 20)), float(dice.uniform(6, 20))),
        mount_s=float(dice.uniform(8, 20)),
        rise_s=float(dice.uniform(4, 8)),
        through_s=float(dice.uniform(7, 14)),
        return_s=float(dice.uniform(4, 8)),
        holds_rad=(float(holds[0]), float(holds[1])),
        swing_rad=float(np.radians(dice.uniform(40, 85))),
        swing_s=float(dice.uniform(3, 8)),
        ramp=float(dice.uniform(0.1, 0.5)),
        bandwidth_rad_s=float(dice.uniform(10, 40)),
        tremor_rad=float(np.radians(10 ** dice.uniform(-3.5, -1.7))),
    )


class _Path:
    """A way through angles, put together of pieces."""

    def __init__(self, start: float) -> None:
        self.pieces: list[Floats] = []
        self.driven: list[Floats] = []
        self.at, self.count = start, 0

    @property
    def now_s(self) -> float:
        return self.count / GRID_HZ

    def add(self, angles: Floats, *, driven: bool = True) -> None:
        self.pieces.append(angles)
        self.driven.append(np.full(len(angles), float(driven)))
        self.count += len(angles)
        self.at = float(angles[-1])

    def hold(self, seconds: float, *, driven: bool = True) -> None:
        self.add(np.full(round(seconds * GRID_HZ), self.at), driven=driven)

    def move(self, target: float, seconds: float, ramp: float) -> None:
        share = np.linspace(0, 1, round(seconds * GRID_HZ))
        # The integral of a trapezoid of area 1.
        up = np.minimum(share, ramp) ** 2 / (2 * ramp)
        flat = np.clip(share - ramp, 0, 1 - 2 * ramp)
        left = np.clip(share - (1 - ramp), 0, ramp)
        down = left - left**2 / (2 * ramp)
        self.add(self.at + (target - self.at) * (up + flat + down) / (1 - ramp))

    def move_by_hand(self, target: float, seconds: float, dice: np.random.Generator) -> None:
        share = np.linspace(0, 1, round(seconds * GRID_HZ))
        knots = np.linspace(0, 1, max(int(seconds), 4) + 1)
        uneven = 1 + 0.35 * np.interp(share, knots, np.clip(dice.normal(size=len(knots)), -2, 2))
        speed = np.minimum(1, 12 * share * (1 - share)) * uneven
        gone = np.cumsum(speed) / speed.sum()
        self.add(self.at + (target - self.at) * gone, driven=False)


def motion_of(plan: MotionPlan, *, warm_s: float) -> Motion:
    """Return the motion with a last step of about so many seconds (whole swings)."""
    dice = np.random.default_rng(plan.seed)
    path = _Path(plan.start_rad)
    path.hold(4.0)
    start = path.now_s
    path.hold(plan.rest_s)
    rest = (start, path.now_s)
    path.hold(3.0, driven=not plan.is_by_hand)
    start, far = path.now_s, plan.start_rad + plan.positive * plan.turn_rad
    for target, seconds in zip((far, plan.start_rad), plan.way_s, strict=True):
        if plan.is_by_hand:
            path.move_by_hand(target, seconds, dice)
        else:
            path.move(target, seconds, plan.ramp)
        if target == far:
            path.hold(2.0, driven=not plan.is_by_hand)
    turn = (start, path.now_s)
    path.hold(3.0, driven=not plan.is_by_hand)
    path.move(0.0, 3.0, plan.ramp)
    mounted = path.now_s + 0.5 * (plan.mount_s - 6.0)
    path.hold(plan.mount_s - 6.0)
    start = path.now_s
    path.hold(2.0)
    path.move(plan.holds_rad[0], plan.rise_s, plan.ramp)
    path.hold(5.0)
    path.move(plan.holds_rad[1], plan.through_s, plan.ramp)
    path.hold(5.0)
    path.move(0.0, plan.return_s, plan.ramp)
    load = (start, path.now_s)
    path.hold(3.0)
    start = path.now_s
    swings = max(round(warm_s / plan.swing_s), 2)
    time = np.arange(round(swings * plan.swing_s * GRID_HZ)) / GRID_HZ
    fade = np.clip(np.minimum(time, time[-1] - time) / plan.swing_s, 0, 1)
    path.add(plan.swing_rad * fade * np.sin(2 * np.pi * time / plan.swing_s))
    warm = (start, path.now_s)
    path.hold(4.0)
    wanted, driven = np.concatenate(path.pieces), np.concatenate(path.driven)
    time_s = np.arange(len(wanted)) / GRID_HZ
    tremor = plan.tremor_rad * _smooth_noise(dice, len(wanted))
    angle = np.where(driven > 0, _followed(wanted, plan.bandwidth_rad_s), wanted) + tremor
    angle = _followed(angle, 120.0)
    setpoint = wanted if plan.setpoint_follows else _frozen(wanted, driven)
    return Motion(
        time_s=time_s,
        setpoint_rad=setpoint,
        angle_rad=angle,
        is_driven=driven,
        is_loaded=(time_s >= mounted).astype(float),
        steps=Marks(rest=rest, turn=turn, load=load, warm=warm),
    )


def neighbour_motion(dice: np.random.Generator, motion: Motion, how: str) -> Motion:
    """Return how a neighbour moves meanwhile: "still", "between" the steps, or "unannounced"."""
    time = motion.time_s
    swing = np.sin(2 * np.pi * time / dice.uniform(4, 15) + dice.uniform(0, 6))
    swing = dice.uniform(0.2, 1.2) * swing + 0.3 * np.sin(2 * np.pi * time / dice.uniform(20, 50))
    if how == "still":
        swing = np.zeros(len(time))
    elif how == "between":
        steps = motion.steps
        outside = np.ones(len(time))
        for begin, end in (steps.rest, steps.turn, steps.load, steps.warm):
            outside[(time > begin - 0.5) & (time < end + 0.5)] = 0.0
        # It stops where the step begins and goes on from there.
        swing = np.cumsum(np.gradient(swing) * outside)
    angle = dice.uniform(-1.5, 1.5) + _followed(swing, 20.0)
    angle = angle + np.radians(0.002) * _smooth_noise(dice, len(time))
    ones = np.ones(len(time))
    return Motion(
        time_s=time,
        setpoint_rad=swing + angle[0] - swing[0],
        angle_rad=angle,
        is_driven=ones,
        is_loaded=ones,
        steps=motion.steps,
    )


def _smooth_noise(dice: np.random.Generator, count: int) -> Floats:
    noise = lfilter([0.05], [1, -0.95], dice.normal(size=count))
    return noise / np.std(noise)


def _followed(wanted: Floats, bandwidth_rad_s: float) -> Floats:
    """Return what follows a wanted course with two equal lags."""
    keep = np.exp(-bandwidth_rad_s / GRID_HZ)
    once = lfilter([1 - keep], [1, -keep], wanted - wanted[0])
    return lfilter([1 - keep], [1, -keep], once) + wanted[0]


def _frozen(wanted: Floats, driven: Floats) -> Floats:
    """Return what was wanted while driven, and its last value elsewhere."""
    last = np.maximum.accumulate(np.where(driven > 0, np.arange(len(wanted)), 0))
    return wanted[last]
