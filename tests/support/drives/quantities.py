"""Which fields a drive has, and in which sizes, units and forms it tells them."""

import numpy as np

from tests.support.drives.motion import MotionPlan
from tests.support.drives.numbers import FieldPlan
from tests.support.drives.physics import TEMPERATURES, JointPlan
from tests.support.drives.truth import Meaning, Side, SignForm

__all__ = [
    "TEMPERATURE_SCALES",
    "lone_field",
    "main_fields",
    "minor_fields",
    "setpoint_fields",
    "temperature_fields",
]

TURN = 2 * np.pi
DEGREE = np.pi / 180
RPM = TURN / 60
MOST_COUNTS = 4e6
"""Nobody tells a speed or a torque in finer steps."""
SIGNED_FORMS = (SignForm.TWOS_COMPLEMENT, SignForm.OFFSET_BINARY, SignForm.SIGN_MAGNITUDE)
TEMPERATURE_SCALES = (
    *((1.0, 0.0), (1.0, -40.0), (1.0, -50.0), (0.5, 0.0), (0.5, -40.0), (0.1, 0.0)),
    *((0.1, -273.15), (0.01, 0.0), (0.0625, 0.0), (0.1, -40.0)),
)


def _signed_form(dice: np.random.Generator, odd: float) -> SignForm:
    return SIGNED_FORMS[int(dice.choice(3, p=[1 - odd, 0.6 * odd, 0.4 * odd]))]


def _signed_number(
    dice: np.random.Generator,
    *,
    peak: float,
    units: tuple[float, ...],
    sizes: tuple[int, ...],
    least: float,
    odd: float,
) -> tuple[int, SignForm, float]:
    """Return bits, form and scale of a signed value up to a peak, in at least so many counts."""
    if 32 in sizes and dice.random() < 0.3 * odd:
        return 32, SignForm.FLOAT32, float(dice.choice(units[:2]))
    fitting = [
        (bits, unit * part)
        for bits in sizes
        for unit in units
        for part in (1.0, 0.1, 0.01, 0.001, 0.25, 0.05)
        if least <= peak / (unit * part) < min(2.0 ** (bits - 1) - 1, MOST_COUNTS)
    ]
    if fitting and dice.random() < 0.75:
        bits, scale = fitting[int(dice.integers(len(fitting)))]
    else:
        # The whole range of the bits is a round range.
        bits = int(dice.choice([n for n in sizes if 1.6 * least < 2.0 ** (n - 1) < MOST_COUNTS]))
        step = 10.0 ** np.floor(np.log10(peak * 1.3))
        scale = float(np.ceil(peak * 1.3 / step) * step / 2.0 ** (bits - 1))
    return bits, _signed_form(dice, odd), float(scale)


def position_field(
    dice: np.random.Generator,
    joint: JointPlan,
    motion: MotionPlan,
    *,
    odd: float,
    rate: float,
    frames_per_turn: float,
) -> FieldPlan:
    """Return the field that tells the position.

    It is a single-turn encoder at the motor only where so many frames a turn come at the highest
    speed.
    """
    sign = int(dice.choice([-1, 1]))
    motor_turns_s = motion.peak_rad_s * joint.gear / TURN
    common = {"name": "position", "meaning": Meaning.POSITION}
    if dice.random() < 0.5:
        motor = rate > frames_per_turn * motor_turns_s and dice.random() < 0.65
        bits = int(dice.integers(12, 19))
        counts = 1 << bits
        if dice.random() < 0.25:
            counts = int(dice.choice([3600, 20000, 36000, 10000]))
            bits = int(np.ceil(np.log2(counts)))
        gear = joint.gear if motor else 1.0
        centred = dice.random() < 0.3
        scale = sign * TURN / counts / gear
        return FieldPlan(
            **common,
            source="motor position" if motor else "position",
            bits=bits,
            sign_form=_signed_form(dice, 0.3 * odd) if centred else SignForm.UNSIGNED,
            scale=scale,
            offset=float(dice.uniform(-np.pi, np.pi)),
            noise=abs(scale) * dice.uniform(0.1, 2.0),
            side=Side.MOTOR if motor else Side.OUTPUT,
            wrap_counts=counts,
        )
    motor = dice.random() < 0.55
    offset = float(dice.uniform(-TURN, TURN))
    # As far as a turn from its start, the start, and the zero.
    peak = 1.1 * TURN + abs(motion.start_rad) + abs(offset) + 0.5
    if motor:
        per_turn = float(dice.choice([1024, 4096, 8192, 16384, 65536]))
        units: tuple[float, ...] = (TURN / per_turn / joint.gear,)
        bits, form, scale = 32, _signed_form(dice, 0.3 * odd), units[0]
        if peak / scale < 2**23 - 1 and dice.random() < 0.5:
            bits = 24
    else:
        bits, form, scale = _signed_number(
            dice,
            peak=peak,
            units=(DEGREE, 1.0, 0.1 * DEGREE, 0.001),
            sizes=(16, 16, 20, 24, 32),
            least=peak / (0.15 * DEGREE),
            odd=odd,
        )
    return FieldPlan(
        **common,
        source="motor position" if motor else "position",
        bits=bits,
        sign_form=form,
        scale=sign * scale,
        offset=offset,
        noise=float(min(scale * dice.uniform(0.1, 2), 0.05 * DEGREE))
        if form is not SignForm.FLOAT32
        else 0.003 * DEGREE,
        side=Side.MOTOR if motor else Side.OUTPUT,
    )


def main_fields(
    dice: np.random.Generator,
    joint: JointPlan,
    motion: MotionPlan,
    *,
    odd: float,
    rate: float,
    frames_per_turn: float,
) -> list[FieldPlan]:
    """Return position, speed, and current or torque; `odd` is how probable unusual forms are."""
    position = position_field(
        dice, joint, motion, odd=odd, rate=rate, frames_per_turn=frames_per_turn
    )
    sign = np.sign(position.scale)
    motor = dice.random() < 0.55
    peak = motion.peak_rad_s
    gear = joint.gear if motor else 1.0
    bits, form, scale = _signed_number(
        dice,
        peak=peak * 1.3 * gear,
        units=(RPM, 1.0, DEGREE, TURN / 4096, TURN),
        sizes=(12, 14, 16, 16, 16, 24, 32),
        least=150.0,
        odd=odd,
    )
    speed = FieldPlan(
        name="speed",
        meaning=Meaning.SPEED,
        source="speed",
        bits=bits,
        sign_form=form,
        scale=float(sign * scale / gear),
        noise=peak * float(10 ** dice.uniform(-2.7, -1.5)),
        lag_s=float(dice.uniform(0.002, 0.03)),
        side=Side.MOTOR if motor else Side.OUTPUT,
    )
    peak = 1.6 * (joint.weight_torque * 1.3 + joint.own_inertia * 10)
    is_current = dice.random() < 0.6
    # N m at the output of one ampere.
    torque_constant = peak / dice.uniform(4, 40) if is_current else 1.0
    if not is_current and dice.random() < 0.4:
        torque_constant = joint.gear * dice.uniform(0.7, 0.9)  # told at the motor
    bits, form, scale = _signed_number(
        dice,
        peak=peak / torque_constant,
        units=(1.0, 0.1, 0.03125, peak / torque_constant / 1000),
        sizes=(10, 12, 12, 13, 16, 16, 16, 32),
        least=100.0,
        odd=odd,
    )
    if dice.random() < 0.1:
        sign = -sign
    torque = FieldPlan(
        name="current" if is_current else "torque",
        meaning=Meaning.CURRENT if is_current else Meaning.TORQUE,
        source="torque",
        bits=bits,
        sign_form=form,
        scale=float(sign * scale * torque_constant),
        ampere_scale=float(sign * scale) if is_current else None,
        noise=joint.weight_torque * float(10 ** dice.uniform(-2.7, -1.3)),
        lag_s=float(dice.uniform(0.001, 0.02)),
    )
    return [position, speed, torque]


def temperature_fields(
    dice: np.random.Generator, count: int, *, odd: float, highest: float
) -> list[FieldPlan]:
    """Return so many temperatures, all of one drive told in one or two ways."""
    names = [str(name) for name in dice.permutation(np.array(TEMPERATURES))]
    if not {"winding", "bridge"} & set(names[:count]) and dice.random() < 0.85:
        # A maker who measures one temperature measures one that rises.
        names = ["winding", *(name for name in names if name != "winding")]
    fields = []
    ways = [int(dice.integers(len(TEMPERATURE_SCALES))) for _ in range(1 + (dice.random() < 0.2))]
    size_up = dice.random() < 0.3
    is_float = dice.random() < 0.15 * odd
    for name in names[:count]:
        scale, offset = TEMPERATURE_SCALES[int(dice.choice(ways))]
        top = (highest - offset) / scale
        form = SignForm.UNSIGNED
        if dice.random() < 0.6 and offset == 0.0:
            form, top = _signed_form(dice, 0.3 * odd), 2 * top
        sizes = [size for size in (8, 10, 12, 16) if top < 2**size - 2]
        bits = sizes[min(int(size_up), len(sizes) - 1)]
        if is_float:
            form, bits, scale, offset = SignForm.FLOAT32, 32, 1.0, 0.0
        fields.append(
            FieldPlan(
                name=f"temperature of the {name}",
                meaning=Meaning.TEMPERATURE,
                source=name,
                bits=bits,
                sign_form=form,
                scale=scale,
                offset=offset,
                noise=float(10 ** dice.uniform(-2, -0.6)),
                lag_s=float(dice.uniform(0.1, 2.0)),
            )
        )
    return fields


def minor_fields(dice: np.random.Generator, joint: JointPlan, *, odd: float) -> list[FieldPlan]:
    """Return voltage, flags, uptime and constants, as far as the drive has them."""
    fields = []
    if dice.random() < 0.8:
        scales = [
            (bits, scale)
            for bits in (8, 10, 12, 16)
            for scale in (1.0, 0.5, 0.2, 0.1, 0.1, 0.01, 0.001)
            if joint.supply_V * 1.15 / scale < 2**bits
        ]
        bits, scale = scales[int(dice.integers(len(scales)))]
        form = SignForm.UNSIGNED
        if dice.random() < 0.15 * odd:
            bits, scale, form = 32, 1.0, SignForm.FLOAT32
        fields.append(
            FieldPlan(
                name="voltage",
                meaning=Meaning.VOLTAGE,
                source="voltage",
                bits=bits,
                sign_form=form,
                scale=scale,
                noise=float(joint.supply_V * 10 ** dice.uniform(-3.5, -2.3)),
                lag_s=0.02,
            )
        )
    if dice.random() < 0.7:
        bits = int(dice.choice([4, 5, 8, 8]))
        fields.append(FieldPlan(name="flags", meaning=Meaning.FLAGS, source="flags", bits=bits))
    if dice.random() < 0.2:
        fields.append(_uptime(dice))
    if dice.random() < 0.35:
        fields.append(_constant(dice))
    return fields


def lone_field(dice: np.random.Generator) -> FieldPlan:
    """Return what a kind of frame tells that would be empty otherwise."""
    return _uptime(dice) if dice.random() < 0.4 else _constant(dice)


def _uptime(dice: np.random.Generator) -> FieldPlan:
    bits = int(dice.choice([16, 24, 32]))
    return FieldPlan(
        name="uptime",
        meaning=Meaning.UPTIME,
        source="uptime",
        bits=bits,
        scale=float(dice.choice([0.001, 0.01, 1.0])),
        wrap_counts=1 << bits,
    )


def _constant(dice: np.random.Generator) -> FieldPlan:
    bits = int(dice.choice([8, 16]))
    value = int(dice.integers(1, 1 << bits))
    return FieldPlan(
        name="constant", meaning=Meaning.CONSTANT, source="", bits=bits, constant=value
    )


def setpoint_fields(
    dice: np.random.Generator, main: list[FieldPlan], count: int
) -> list[FieldPlan]:
    """Return copies of what a controller wants, told as the drive tells what is."""
    position, speed, torque = main
    chosen = []
    for field, source in (
        (position, "position set-point"),
        (speed, "speed set-point"),
        (torque, "torque set-point"),
    ):
        values = {
            key: getattr(field, key)
            for key in ("meaning", "bits", "sign_form", "scale", "offset", "side", "wrap_counts")
        }
        chosen.append(
            FieldPlan(
                **values,
                name=f"{field.name} set-point",
                source=source,
                ampere_scale=field.ampere_scale,
                is_setpoint=True,
            )
        )
    return [chosen[at] for at in dice.permutation(3)[:count]]
