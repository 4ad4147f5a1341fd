"""Which channel of a log is which bus: stated, named, or in order."""

import pytest

from logger.errors import InputError
from logger.importing.channel_map import ChannelMap
from logger.joint.bench.bench import bench_from_texts
from logger.simulate import scenario

LAYOUTS = {"harvest-joint": scenario.scenario_layout_text()}


def _bench(*buses: tuple[str, str]):
    text = "".join(
        f'[[bus]]\nname = "{name}"\ninterface = "socketcan"\nchannel = "{channel}"\n'
        for name, channel in buses
    )
    return bench_from_texts(
        f'{text}[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\nbus = "{buses[0][0]}"\n',
        LAYOUTS,
        where="bench.toml",
    )


TWO = _bench(("left", "can1"), ("right", "can0"))


def test_by_name_where_all_are_named():
    """A log of the same machine names its channels as the bench does."""
    assert ChannelMap(TWO, {}).bus_indices({"can0", "can1"}) == {None: 0, "can1": 0, "can0": 1}


def test_in_order_where_a_name_is_strange():
    """Numbers, or names of another machine: the lowest is the first bus, 2 before 10."""
    assert ChannelMap(TWO, {}).bus_indices({10, 2}) == {None: 0, 2: 0, 10: 1}
    assert ChannelMap(TWO, {}).bus_indices({"vcan0", "can0"}) == {None: 0, "can0": 0, "vcan0": 1}


def test_a_newcomer_is_no_bus_of_the_bench():
    """What is heard for the first time later on has a place of its own, beyond the bench."""
    places = ChannelMap(TWO, {})
    places.bus_indices({0, 1})
    assert places.bus_indices({0, 1, 2}) == {None: 0, 0: 0, 1: 1, 2: 2}
    alone = ChannelMap(TWO, {})
    alone.bus_indices({5})
    assert alone.bus_indices({5, 3}) == {None: 0, 5: 0, 3: 2}


def test_as_stated():
    """What was stated comes first; a channel that was not is no bus of the bench."""
    places = ChannelMap(TWO, {"right": "0", "left": "7"})
    assert places.bus_indices({0, 7, 3}) == {None: 0, 0: 1, 7: 0, 3: 2}
    with pytest.raises(InputError, match=r"'rigth'.*Did you mean 'right'"):
        ChannelMap(TWO, {"rigth": "0"})
