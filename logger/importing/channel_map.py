"""Which channel of a log is which bus of the bench.

By what was stated, else by name where every channel of the log is one of a bus, else in their
order: the lowest is the first bus. What comes later and is none of those is no bus of the bench:
its frames are kept, and nobody's. Pure.
"""

from collections.abc import Iterable, Mapping

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.settings_file import nearest

__all__ = ["ChannelPlaces"]

MOST: int = 255


class ChannelPlaces:
    """Channels of one log and the places of their buses; fixed for a channel once it is heard."""

    def __init__(self, bench: Bench, stated: Mapping[str, str]) -> None:
        """`stated`: bus of the bench -> channel of the log; raises InputError for no such bus."""
        self._bench = bench
        self._of: dict[object, int] = {}
        names = [bus.name for bus in bench.buses]
        for name, channel in stated.items():
            if name not in names:
                raise InputError(
                    f"--channel: found {name!r}, expected the name of a bus of the bench."
                    f"{nearest(name, names)}"
                )
            self._of[channel] = names.index(name)

    @property
    def known(self) -> Mapping[object, int]:
        """Channel -> place in the bench's list of buses, so far."""
        return self._of

    def places(self, channels: Iterable[object]) -> dict[object, int]:
        """Return the place of each channel as python-can calls it; None, where it names none."""
        heard = {one: str(one) for one in channels if one is not None}
        new = sorted(set(heard.values()) - self._of.keys(), key=lambda text: (len(text), text))
        if new:
            named = {str(bus.channel): place for place, bus in enumerate(self._bench.buses)}
            if not self._of and named.keys() >= set(new):
                self._of.update({channel: named[channel] for channel in new})
            else:
                # Once the first are known, a newcomer is no bus of the bench.
                first = len(self._bench.buses) if self._of else 0
                free = max([first - 1, *self._of.values()]) + 1
                self._of.update({channel: min(free + at, MOST) for at, channel in enumerate(new)})
        return {None: 0, **{one: self._of[text] for one, text in heard.items()}}
