"""The `[joint.stop]` table: what is wrong in it is told with file, key, found, expected."""

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate import scenario

STOP = 'identifier = "0x190 + node * 3"\ndata = "C5 00"\n'
UNTIL = 'until = { channel = "current_A", below = 0.5, within_s = 0.4 }\n'


def _bench(stop: str) -> Bench:
    return bench_from_texts(
        '[bus]\ninterface = "virtual"\nsend = true\n'
        f'[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n[joint.stop]\n{stop}',
        {"harvest-joint": scenario.scenario_layout_text()},
        where="bench.toml",
    )


def test_what_is_left_away_has_a_default():
    """Five times, every 20 ms, and nothing that shows it."""
    stop = _bench(STOP).joints[0].stop
    assert stop is not None
    assert (stop.repeat, stop.every_s, stop.until, stop.data) == (5, 0.02, None, "C500")


@pytest.mark.parametrize(
    ("stop", "sentence"),
    [
        ('data = "C5"\n', "joint[1].stop.identifier: this key is missing"),
        ('identifier = "0x800"\n', "joint[1].stop.identifier: '0x800' gives 0x800"),
        (STOP + "repeats = 3\n", "repeats"),
        (STOP + "repeat = 0\n", "joint[1].stop.repeat"),
        (STOP.replace("C5 00", "00" * 9), "data: found 9 bytes, expected at most 8."),
        (STOP.replace("C5 00", "5"), "expected bytes in hex"),
        (STOP + UNTIL.replace("current_A", "torque_Nm"), "joint[1].stop.until.channel"),
        (STOP + UNTIL.replace("0.5", "0.0"), "joint[1].stop.until.below"),
    ],
)
def test_mistakes_are_told(stop: str, sentence: str):
    """File, key, found, expected."""
    with pytest.raises(InputError) as told:
        _bench(stop)
    assert str(told.value).startswith("bench.toml: ")
    assert sentence in str(told.value)


def test_what_shows_it_must_be_a_channel_of_the_joint():
    """A stop that could never be seen is refused at once."""
    layout = (
        'format = 1\nname = "x"\n[[frame]]\nname = "f"\nidentifier = 1\nlength = 2\n'
        '[[frame.value]]\nchannel = "current_A"\nbyte = 0\nbits = 8\n'
    )
    with pytest.raises(InputError, match=r"found 'speed_rad_s', expected a channel.*current_A"):
        bench_from_texts(
            '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "x"\n[joint.stop]\n'
            'identifier = 2\nuntil = { channel = "speed_rad_s", below = 1, within_s = 1 }\n',
            {"x": layout},
            where="bench.toml",
        )
