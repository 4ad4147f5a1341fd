"""Play of a joint, from what there is: typed readings of a tip, or loops of torque. Pure."""

from replay.measure.kinds.loop_backlash import measure_loop_backlash
from replay.measure.kinds.tip_backlash import measure_tip_backlash
from replay.measure.kinds.tip_expectation import expect_tip_backlash
from replay.measure.result import Expectation, Measurement
from replay.measure.setup import BenchSetup

__all__ = ["expect_backlash", "measure_backlash"]


def measure_backlash(setup: BenchSetup) -> Measurement:
    """Return the play from the tip where readings of it were typed, else from loops of torque.

    Raises
    ------
    InputError
        It cannot be made of these readings and spans.
    """
    if setup.spans and not (setup.readings_named("tip") or setup.readings_named("play")):
        return measure_loop_backlash(setup)
    return measure_tip_backlash(setup)


def expect_backlash(setup: BenchSetup) -> Expectation:
    """Return how narrow the play can get with this arm and ruler."""
    return expect_tip_backlash(setup)
