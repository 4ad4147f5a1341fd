"""The kinds of measurement: what each asks for and gives, its cautions and steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure
from replay.measure.procedures.backlash import BACKLASH
from replay.measure.procedures.ceiling import CEILING
from replay.measure.procedures.free import FREE
from replay.measure.procedures.friction import FRICTION
from replay.measure.procedures.oscillation import OSCILLATION
from replay.measure.procedures.torque import TORQUE
from replay.measure.procedures.turns import TURNS
from replay.measure.procedures.value import VALUE

__all__ = ["KIND_NAMES", "PROCEDURES"]

PROCEDURES: Final[dict[str, Procedure]] = {
    one.name: one for one in (BACKLASH, TORQUE, CEILING, OSCILLATION, FRICTION, FREE, TURNS, VALUE)
}
"""All kinds, by name."""

KIND_NAMES: Final = tuple(PROCEDURES)
