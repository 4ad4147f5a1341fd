"""A mistake in a bench or layout file: the sentence that it must produce."""

import tomllib
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import bench_from_texts, read_bench
from logger.simulate import scenario

BENCH = """
[bus]
interface = "virtual"
channel = "x"
[[joint]]
name = "shoulder"
layout = "mine"
node = 3
gear_ratio = 9.0
"""
LAYOUT = """
format = 1
name = "mine"
[[frame]]
name = "status"
identifier = "0x280 + node"
length = 4
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
[[frame.value]]
channel = "voltage_V"
byte = 2
bits = 16
"""


def _read(folder: Path, bench: str, layout: str) -> None:
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    (folder / "mine.toml").write_text(layout, encoding="utf-8")
    read_bench(folder / "bench.toml")


def test_the_sound_one_is_read(tmp_path: Path):
    """The files that the cases below break are right."""
    _read(tmp_path, BENCH, LAYOUT)


MISTAKES = tomllib.loads(Path(__file__).with_name("mistakes.toml").read_text("utf-8"))


def _cases(kind: str) -> list[tuple[str, str, str]]:
    return [(case["sound"], case["broken"], case["sentence"]) for case in MISTAKES[kind]]


def _assert_reported(fault: InputError, sentence: str) -> None:
    """One line is the sentence; the names that are known, all of them, may follow it."""
    lines = str(fault).splitlines()
    assert any(line == sentence or line.startswith(f"{sentence} Known: ") for line in lines), lines


def test_what_is_known_is_listed_always(tmp_path: Path):
    """A key that is nearly right, and one like none: the nearest if any, and all of them."""
    for key, nearest in (("gear_ratios", " Did you mean 'gear_ratio'?"), ("xyz", "")):
        with pytest.raises(InputError) as fault:
            _read(tmp_path, BENCH.replace("gear_ratio", key), LAYOUT)
        (line,) = str(fault.value).splitlines()
        assert f"joint[1].{key}: there is no such key.{nearest} Known: bus, claims, " in line
        assert line.endswith(", zero_rad.")


@pytest.mark.parametrize(("old", "new", "sentence"), _cases("bench"))
def test_mistakes_in_a_bench_file(tmp_path: Path, old: str, new: str, sentence: str):
    """File, key, found, expected; no traceback, no guess."""
    assert old in BENCH
    with pytest.raises(InputError) as fault:
        _read(tmp_path, BENCH.replace(old, new, 1), LAYOUT)
    _assert_reported(fault.value, f"{tmp_path / 'bench.toml'}: {sentence}")


@pytest.mark.parametrize(("old", "new", "sentence"), _cases("layout"))
def test_mistakes_in_a_layout_file(tmp_path: Path, old: str, new: str, sentence: str):
    """Overlap, overrun, unknown channel and unit: named with frame, value and place."""
    assert old in LAYOUT
    with pytest.raises(InputError) as fault:
        _read(tmp_path, BENCH, LAYOUT.replace(old, new, 1))
    _assert_reported(fault.value, f"mine.toml (layout): {sentence}")


def test_every_mistake_is_told_at_once(tmp_path: Path):
    """Two mistakes are two lines, and nothing is said twice."""
    broken = BENCH.replace("node = 3", "node = -1").replace("gear_ratio", "gear")
    with pytest.raises(InputError) as fault:
        _read(tmp_path, broken, LAYOUT)
    lines = str(fault.value).splitlines()
    assert len(lines) == len(set(lines)) == 2


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        (LAYOUT.replace("current_A", "torque_setpoint_Nm"), "carries no current_A."),
        (LAYOUT.replace("voltage_V", "torque_Nm"), "already carries torque_Nm. Remove the key."),
    ],
)
def test_a_derived_torque_needs_its_current(tmp_path: Path, layout: str, words: str):
    """Torque from current: there must be one, and no torque beside it."""
    bench = BENCH + 'torque = { from = "current", per_ampere = 1.6 }\n'
    with pytest.raises(InputError, match=r"joint\[1\]\.torque: found from = 'current'") as fault:
        _read(tmp_path, bench, layout)
    assert words in str(fault.value)


@pytest.mark.parametrize(
    ("frames", "apart"),
    [
        (("begins = '41'", "begins = '42'"), True),
        (("begins = '41'", "begins = '4142'"), False),
        (("begins = '41'", ""), False),
        (("begins = '41'", "begins = '41'"), False),
        (("", "extended = true"), True),
        (("", "mask = 0x700"), False),
    ],
)
def test_frames_that_can_be_told_apart(tmp_path: Path, frames: tuple[str, str], *, apart: bool):
    """One identifier for two kinds of frame needs leading bytes of which none begins the other."""
    text = 'format = 1\nname = "mine"\n' + "".join(
        f'[[frame]]\nname = "f{i}"\nidentifier = 0x280\nlength = 4\n{more}\n'
        for i, more in enumerate(frames)
    )
    if apart:
        _read(tmp_path, BENCH, text)
    else:
        with pytest.raises(InputError, match=r"both claim the identifier 0x280"):
            _read(tmp_path, BENCH, text)


@pytest.mark.parametrize(
    ("other", "masks", "apart"),
    [
        (0x2C0, ("mask = 0x700", ""), False),
        (0x2C0, ("mask = 0x7F0", ""), True),
        (0x2C0, ("mask = 0x700", "mask = 0x00F"), False),
        (0x381, ("mask = 0x700", "mask = 0x10F"), True),
    ],
)
def test_masks_that_meet(tmp_path: Path, other: int, masks: tuple[str, str], *, apart: bool):
    """Two kinds of frame meet where their identifiers agree in all the bits that both look at."""
    text = 'format = 1\nname = "mine"\n' + "".join(
        f'[[frame]]\nname = "f{number}"\nidentifier = {number}\nlength = 4\n{mask}\n'
        for number, mask in zip((0x280, other), masks, strict=True)
    )
    if apart:
        _read(tmp_path, BENCH, text)
    else:
        with pytest.raises(InputError, match="both claim the identifier"):
            _read(tmp_path, BENCH, text)


def test_a_layout_beside_the_bench_comes_first(tmp_path: Path):
    """A file beside the bench file hides the shipped layout of that name."""
    (tmp_path / "harvest-joint.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH.replace('"mine"', '"harvest-joint"'), "utf-8")
    bench = read_bench(tmp_path / "bench.toml")
    assert bench.channels_of(bench.joints[0]) == ("current_A", "voltage_V")
    assert bench.layout_texts == {"harvest-joint": LAYOUT}


def test_how_long_a_value_holds(tmp_path: Path):
    """What the layout says, else three periods of its frame; the derived torque as its current."""
    text = (
        LAYOUT.replace("length = 4", "length = 4\nperiod_s = 0.02")
        + '[[frame]]\nname = "slow"\nidentifier = 0x300\nlength = 1\nperiod_s = 1.0\nhold_s = 9.0\n'
        + '[[frame.value]]\nchannel = "temperature_drive_degC"\nbyte = 0\nbits = 8\n'
    )
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    more = 'torque = { from = "current", per_ampere = 1.6 }\n'
    (tmp_path / "bench.toml").write_text(BENCH + more, encoding="utf-8")
    bench = read_bench(tmp_path / "bench.toml")
    assert bench.hold_times_ns_of(bench.joints[0]) == {
        "current_A": 60_000_000,
        "voltage_V": 60_000_000,
        "torque_Nm": 60_000_000,
        "temperature_drive_degC": 9_000_000_000,
    }


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b""])
def test_unreadable_files(tmp_path: Path, content: bytes):
    """Not UTF-8, empty, missing, a folder."""
    path = tmp_path / "bench.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"bench\.toml"):
        read_bench(path)
    with pytest.raises(InputError, match="no such bench file"):
        read_bench(tmp_path / "other.toml")
    with pytest.raises(InputError, match="this is a folder"):
        read_bench(tmp_path)


def test_a_sensor_is_a_joint_without_frames():
    """It has its channels and its hold; a mistake in it is answered like any other."""
    told = '\n[[sensor]]\nname = "probe"\nchannels = ["temperature_ambient_degC"]\nhold_s = 30.0\n'
    made = scenario.scenario_bench(channel="x")
    bench = bench_from_texts(made.text + told, made.layout_texts, where="bench.toml")
    assert bench.sensors == ("probe",)
    probe = bench.joint_named("probe")
    assert bench.channels_of(probe) == ("temperature_ambient_degC",)
    assert bench.hold_times_ns_of(probe) == {"temperature_ambient_degC": 30_000_000_000}
    assert bench.layout_of(probe).frame == ()
    for wrong, words in [
        (told.replace("ambient", "ambint"), "temperature_ambint_degC"),
        (told.replace("probe", "elbow"), "'elbow' twice"),
        (told.replace("30.0", "0.0"), "hold_s"),
    ]:
        with pytest.raises(InputError, match=words):
            bench_from_texts(made.text + wrong, made.layout_texts, where="bench.toml")
