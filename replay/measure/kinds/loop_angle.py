"""The angle of a loop: the motor's, less the output's where a second encoder shows that. Pure.

With the output held fast the motor's angle is the gear's twist and what the fixture gives. A second
encoder, behind the gear, sees what the fixture gives, so that the difference is the gear alone.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from replay.measure.reading import ARCMIN_RAD
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = ["LoopEncoders", "loop_encoders"]

POSITION: Final = "position_rad"
AT_MOTOR: Final = "position_motor_rad"
AT_OUTPUT: Final = "position_output_rad"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopEncoders:
    """Which channels show the motor's side and the output's."""

    motor: str
    output: str
    """ "" for none: the fixture is taken to hold."""

    def count_arcmin(self, span: SpanTrace) -> float:
        """Return one count of the angle, of both encoders where there are two; 0: not known."""
        own = [span.grids.get(name, 0.0) for name in (self.motor, self.output) if name]
        return float(np.hypot.reduce(own)) / ARCMIN_RAD

    def angle_arcmin(self, span: SpanTrace) -> Floats:
        """Return the angle in arcmin at each reading of the motor's, shape (n,).

        Raises
        ------
        InputError
            It stands still: an encoder is on the wrong side of the gear.
        """
        where = f"{span.recording}: span {span.name!r}"
        time_s, position = span.channel(self.motor)
        motor = position / ARCMIN_RAD
        step = span.grids.get(self.motor, 0.0) / ARCMIN_RAD
        if float(np.ptp(motor)) <= 2.0 * step:
            raise InputError(
                f"found a position that moved by {float(np.ptp(motor)):.2g} arcmin, expected "
                "more than two counts: is the encoder on the output's side of the gear, which is "
                "held?",
                where=where,
            )
        if not self.output:
            return motor
        angle = motor - span.values_at(self.output, time_s) / ARCMIN_RAD
        if float(np.ptp(angle)) <= max(2.0 * self.count_arcmin(span), 0.02 * float(np.ptp(motor))):
            raise InputError(
                f"found {self.output} that moves as {self.motor} does, expected it to stand still "
                "or to follow behind the play: are both encoders on the motor's side of the gear?",
                where=where,
            )
        return angle


def loop_encoders(setup: BenchSetup, spans: tuple[SpanTrace, ...]) -> LoopEncoders:
    """Return the encoders of loops: of the motor, and of the output where one is recorded.

    Raises
    ------
    InputError
        No encoder is at the motor, or the one that was named for the output is that.
    """
    named = setup.channels.get("output", "")

    def has_all(name: str) -> bool:
        return all(len(one.channel(name)[0]) >= 2 for one in spans)

    if setup.joint.is_position_of_motor:
        motor, usual = POSITION, AT_OUTPUT
    elif has_all(AT_MOTOR):
        motor, usual = AT_MOTOR, POSITION
    else:
        raise InputError(
            f"{POSITION} of {setup.joint.name} comes from an encoder on "
            "the output's side of the gear, expected one at the motor: with the output held fast "
            "it stands still whatever the play. Measure the play at the tip of an arm.",
            where=spans[0].recording,
        )
    setup.require_channels(spans, motor)
    if named == motor:
        raise InputError(
            f"found output={named}, which is the encoder at the motor, expected one behind the "
            "gear: the difference would be nothing.",
            where="--channel",
        )
    output = named or (usual if has_all(usual) else "")
    if named:
        setup.require_channels(spans, named)
    if output and setup.single_reading("fixture") is not None:
        raise InputError(
            f"found one, and {output} that shows what the fixture gives, expected one of them.",
            where="--reading: fixture",
        )
    return LoopEncoders(motor=motor, output=output)
