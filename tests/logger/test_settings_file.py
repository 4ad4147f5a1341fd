"""Settings files as checked models: what is refused, and in which words."""

from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, ValidationError, model_validator

from logger.errors import InputError
from logger.settings_file import (
    Settings,
    did_you_mean,
    nearest_name,
    read_text,
    read_toml,
    validate_settings,
)


class Lamp(Settings):
    """A table within a table."""

    watt: float = Field(gt=0)
    colour: Literal["amber", "white"] = "amber"


class Room(Settings):
    """A settings file that no part of the program has."""

    name: str = Field(min_length=1)
    lamp: tuple[Lamp, ...] = Field(min_length=1)
    dim: Literal["off"] | Lamp = "off"
    open: bool = False
    sizes: tuple[float, ...] = ()
    tags: dict[str, str | int] = Field(default_factory=dict)
    low: float = 0.0
    high: float = 1.0

    @model_validator(mode="after")
    def _fits(self) -> "Room":
        if self.low > self.high:
            raise ValueError(f"low: found {self.low:g}, expected at most {self.high:g}, the high.")
        return self


SOUND = """
name = "hall"
[[lamp]]
watt = 5
"""


def _told(text: str) -> list[str]:
    with pytest.raises(InputError) as fault:
        validate_settings(Room, read_toml(text, "room.toml"), "room.toml")
    return str(fault.value).splitlines()


def test_a_sound_file_is_taken():
    """Lists arrive as tuples, whole numbers where a number is wanted; nothing can be changed."""
    room = validate_settings(Room, read_toml(SOUND, "room.toml"), "room.toml")
    assert (room.name, room.lamp, room.open) == ("hall", (Lamp(watt=5.0),), False)
    with pytest.raises(ValidationError, match="frozen"):
        room.name = "attic"


@pytest.mark.parametrize(
    ("line", "sentences"),
    [
        ("open = 'yes'", ["open: found 'yes', expected true or false."]),
        ("open = 1", ["open: found 1, expected true or false."]),
        (
            "opne = true",
            [
                "opne: there is no such key. Did you mean 'open'? Known: dim, high, lamp, low, "
                "name, open, sizes, tags."
            ],
        ),
        ("sizes = 3", ["sizes: found 3, expected a list in [ ]."]),
        ("sizes = [1, 'two']", ["sizes[2]: found 'two', expected a number."]),
        ("sizes = [nan]", ["sizes[1]: found nan, expected a finite number."]),
        ("dim = 'of'", ["dim: found 'of', expected 'off' or a table with watt, colour."]),
        ("dim = { }", ["dim.watt: this key is missing."]),
        (
            "dim = { watt = 0, color = 'amber' }",
            [
                "dim.watt: found 0, expected greater than 0.",
                "dim.color: there is no such key. Did you mean 'colour'? Known: colour, watt.",
            ],
        ),
        (
            "dim = { watt = 1, colour = 'whit' }",
            ["dim.colour: found 'whit', expected 'amber' or 'white' (did you mean 'white'?)."],
        ),
        ("tags = { a = 1.5 }", ["tags.a: found 1.5, expected a text in quotes or a whole number."]),
        ("low = 2", ["low: found 2, expected at most 1, the high."]),
        ("high = 07:32:00", ["high: found 07:32:00, expected a number."]),
    ],
)
def test_a_mistake_is_one_sentence(line: str, sentences: list[str]):
    """File, key, found, expected, the nearest name; what was tried for one value in one line."""
    assert _told(f"{line}\n{SOUND}") == [f"room.toml: {sentence}" for sentence in sentences]


@pytest.mark.parametrize(
    ("lamps", "sentence"),
    [
        ("lamp = []", "lamp: found an empty list, expected at least one item."),
        ("[lamp]\nwatt = 5", "lamp: found a table, expected a list of tables; write [[lamp]]"),
        ("lamp = 5", "lamp: found 5, expected a list"),
        ("lamp = [5]", "lamp[1]: found 5, expected a table with watt, colour."),
        ("[[lamp]]\nwatt = 5\n[[lamp]]\nwatt = true", "lamp[2].watt: found true, expected a num"),
    ],
)
def test_lists_of_tables(lamps: str, sentence: str):
    """Counted from 1; an item that is wrong does not also make the list too short."""
    told = _told(f'name = "hall"\n{lamps}\n')
    assert len(told) == 1
    assert told[0].startswith(f"room.toml: {sentence}")


_PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)


@given(
    st.dictionaries(
        st.sampled_from(["name", "lamp", "dim", "open", "sizes", "tags", "low", "high", "x", ""]),
        st.recursive(
            _PLAIN,
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.sampled_from(["watt", "colour", "y", ""]), inner, max_size=3)
            ),
            max_leaves=6,
        ),
    )
)
def test_whatever_stands_there_is_a_model_or_sentences(data: dict[str, object]):
    """No content ends in anything but a model or lines that name the file; none reads raw."""
    try:
        validate_settings(Room, data, "room.toml")
    except InputError as fault:
        lines = str(fault).splitlines()
        assert lines
        for line in lines:
            assert line.startswith("room.toml: ")
            assert line.endswith((".", "?")), line
            assert "valid " not in line, line


def test_the_nearest_name_and_all_of_them():
    """A slip is answered with the name that was meant, and always with what there is."""
    assert did_you_mean("opne", ["open", "name"]) == " Did you mean 'open'? Known: name, open."
    assert did_you_mean("zzz", ["open", "name"]) == " Known: name, open."
    assert did_you_mean("zzz", []) == ""
    many = [f"column_{number:02}" for number in range(50)]
    assert did_you_mean("zzz", many).endswith(", column_38, column_39 and 10 more.")
    assert nearest_name("opne", ["open", "name"]) == " Did you mean 'open'?"
    assert nearest_name("zzz", ["open", "name"]) == ""


def test_what_cannot_be_read(tmp_path: Path):
    """Missing, a folder, not UTF-8, not TOML: one sentence each, with the place."""
    path = tmp_path / "room.toml"
    with pytest.raises(InputError, match=r"room\.toml: there is no such room file\."):
        read_text(path, "room file")
    with pytest.raises(InputError, match="this is a folder; a room file was expected"):
        read_text(tmp_path, "room file")
    path.write_bytes(b"name = \xff")
    with pytest.raises(InputError, match="byte 7 is not UTF-8"):
        read_text(path, "room file")
    with pytest.raises(InputError, match=r"room\.toml: this is not valid TOML: .*line 2"):
        read_toml("open = true\nname = yes\n", "room.toml")


def test_a_mark_at_the_beginning_is_no_part_of_a_text(tmp_path: Path):
    """Some editors write one (U+FEFF) before the first letter, where no TOML has it."""
    path = tmp_path / "room.toml"
    path.write_bytes(b"\xef\xbb\xbfname = 'kitchen'\r\n")
    assert read_toml(read_text(path, "room file"), "room.toml") == {"name": "kitchen"}
