"""Maps the channels of a log to the buses of the bench.

As stated by the user; else by name, where every channel of the log is that of a bus; else in order:
the lowest channel is the first bus. A channel that appears later and is none of these is no bus of
the bench: its frames are kept, and belong to no joint. Pure.
"""

from collections.abc import Iterable, Mapping

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.settings_file import did_you_mean

__all__ = ["ChannelMap"]

MAX_BUS_INDEX: int = 255


class ChannelMap:
    """Channels of one log and the indices of their buses; fixed once a channel has appeared."""

    def __init__(self, bench: Bench, stated: Mapping[str, str]) -> None:
        """`stated`: bus of the bench -> channel of the log; raises InputError for no such bus."""
        self._bench = bench
        self._index_by_channel: dict[object, int] = {}
        names = [bus.name for bus in bench.buses]
        for name, channel in stated.items():
            if name not in names:
                raise InputError(
                    f"--channel: found {name!r}, expected the name of a bus of the bench."
                    f"{did_you_mean(name, names)}"
                )
            self._index_by_channel[channel] = names.index(name)

    @property
    def index_by_channel(self) -> Mapping[object, int]:
        """Channel -> index in the bench's list of buses, for the channels so far."""
        return self._index_by_channel

    def bus_indices(self, channels: Iterable[object]) -> dict[object, int]:
        """Return the bus index of each channel that python-can gave; of None, no channel, 0."""
        channel_texts = {
            channel_name: str(channel_name) for channel_name in channels if channel_name is not None
        }
        new_channels = sorted(
            set(channel_texts.values()) - self._index_by_channel.keys(),
            key=lambda text: (len(text), text),
        )
        if new_channels:
            index_by_name = {
                str(bus.channel): bus_index for bus_index, bus in enumerate(self._bench.buses)
            }
            if not self._index_by_channel and index_by_name.keys() >= set(new_channels):
                self._index_by_channel.update(
                    {channel: index_by_name[channel] for channel in new_channels}
                )
            else:
                # A channel that appears after the first batch is no bus of the bench.
                first = len(self._bench.buses) if self._index_by_channel else 0
                free = max([first - 1, *self._index_by_channel.values()]) + 1
                self._index_by_channel.update(
                    {
                        channel: min(free + index, MAX_BUS_INDEX)
                        for index, channel in enumerate(new_channels)
                    }
                )
        return {
            None: 0,
            **{
                channel_name: self._index_by_channel[text]
                for channel_name, text in channel_texts.items()
            },
        }
