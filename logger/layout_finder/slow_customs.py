"""What the slow values of one drive tell of each other. Pure.

A maker mostly tells all temperatures of a drive in one way, and its supply voltage once.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from logger.layout_finder.proposal import Meaning, ProposedValue
from logger.layout_finder.slow_values import RARE_OFFSETS, TEMPERATURE_SCALES, rarity_of

__all__ = ["NO_CUSTOMS", "Customs", "customs_of"]

_ALIKE: Final = 0.75
"""How often a drive tells another temperature in the same way."""
_SECOND_VOLTAGE: Final = 1.5
"""Strangeness of a supply voltage beside another that is surer."""
_SURELY_VOLTAGE: Final = 0.9
_ALL_USUAL: Final = sum(math.exp(-rarity_of(pair)) for pair in (*TEMPERATURE_SCALES, *RARE_OFFSETS))

Way = tuple[float, float]
"""Scale and offset."""


@dataclass(frozen=True)
class Customs:
    """How a drive tells its slow values, as far as the others show it."""

    temperature: Mapping[Way, float] = field(default_factory=dict)
    """Share of each way among the other temperatures."""
    has_voltage: bool = False

    def strangeness(self, meaning: Meaning, way: Way) -> float:
        """Return by how much stranger than by itself a reading is beside the others."""
        if meaning is Meaning.VOLTAGE:
            return _SECOND_VOLTAGE if self.has_voltage else 0.0
        # Cold, all read about the room: they are not as many witnesses as they are values.
        whole = sum(map(math.sqrt, self.temperature.values()))
        if meaning is not Meaning.TEMPERATURE or not whole:
            return 0.0
        by_itself = math.exp(-rarity_of(way)) / _ALL_USUAL
        seen = math.sqrt(self.temperature.get(way, 0.0)) / whole
        return -math.log((1.0 - _ALIKE) + _ALIKE * seen / by_itself)


NO_CUSTOMS: Final = Customs()


def customs_of(
    others: Sequence[ProposedValue], same_frames: Sequence[ProposedValue] = ()
) -> Customs:
    """Return what other values of a bus tell, as they were taken by themselves.

    `same_frames` are those of them that are of the same kind of frame: another joint has a supply
    voltage as well.
    """
    shares: dict[Way, float] = {}
    has_voltage = any(
        value.meaning is Meaning.VOLTAGE and value.probability.meaning > _SURELY_VOLTAGE
        for value in same_frames
    )
    for value in others:
        sure = value.probability
        # What does not warm with this joint may be of another.
        if value.meaning is not Meaning.TEMPERATURE or not value.evidence.warms:
            continue
        if value.scale is None:
            continue
        ways = [((value.scale, value.offset), sure.meaning * sure.scale)]
        ways += [
            ((one.scale, one.offset), one.probability)
            for one in value.rivals
            if one.meaning is Meaning.TEMPERATURE and one.scale is not None
        ]
        for way, probability in ways:
            shares[way] = shares.get(way, 0.0) + probability
    return Customs(shares, has_voltage)
