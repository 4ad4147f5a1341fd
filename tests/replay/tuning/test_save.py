"""A saved choice: reads back as what was chosen, and leaves the rest of the file as it was."""

from pathlib import Path

import pytest

from logger.errors import InputError
from logger.limits.kinds import example_text
from logger.limits.limit import parse_limits
from replay.tuning.save import candidate_limits_text, write_limits
from replay.tuning.sweep import parse_sweep

HEAD = 'format = 1\n[bad_end]\nchannel = "current_A"\nabove = 1.0\n'
TEXT = """# the bench in the corner
format = 1

[[limit]]
name        = "hot"   # asks for a look
kind        = "level"
severity    = "warning"
channel     = "temperature_housing_degC"
above       = 70.0    # after the soak of last week
drop_off    = 67.0

# and this one
[[limit]]
name = "band"
kind = "level"
severity = "trip"
channel = "voltage_V"
outside = [40.0, 54.0]"""


def _candidate(text: str, *entries: str):
    limits = parse_limits(text, "limits.toml")
    vary = "".join(f"[[vary]]\n{entry}\n" for entry in entries)
    return limits, parse_sweep(HEAD + vary, limits, "sweep.toml").candidates[0]


def test_only_the_changed_keys_change():
    """Comments, order, spacing and other limits stay; a key that was not there is added."""
    limits, candidate = _candidate(
        TEXT,
        'limit = "hot"\nkey = "above"\nvalues = [72.125]',
        'limit = "hot"\nkey = "on_delay_s"\nvalues = [5.0]',
        'limit = "band"\nkey = "outside"\nvalues = [[41.0, 53.5]]',
    )
    found = candidate_limits_text(limits, candidate, ["Chosen.", "Twice."])
    expected = TEXT.replace("70.0    #", "72.125    #")
    expected = expected.replace("drop_off    = 67.0\n", "drop_off    = 67.0\non_delay_s = 5.0\n")
    expected = expected.replace("[40.0, 54.0]", "[41.0, 53.5]")
    assert found == f"# Chosen.\n# Twice.\n\n{expected}"


@pytest.mark.parametrize(
    "text",
    [
        example_text(),
        'format = 1\nlimit = [{ name = "hot", kind = "level", severity = "trip", '
        'channel = "temperature_housing_degC", above = 70.0 }]\n',
        TEXT.replace("above       = 70.0 ", '"above" =\t7_0.0'),
        TEXT.replace("[[limit]]\nname        =", '[[ limit ]] # "x"\nname        ='),
        TEXT.replace("\n", "\r\n"),
    ],
)
def test_any_layout_reads_back_as_chosen(text: str):
    """However the file is written: what is saved is what was chosen, and the rest as it was."""
    limits = parse_limits(text, "limits.toml")
    name = next(one.name for one in limits.limits if one.written_keys.get("above"))
    limits, candidate = _candidate(text, f'limit = "{name}"\nkey = "above"\nvalues = [91.5]')
    read = parse_limits(candidate_limits_text(limits, candidate, ["x"]), "saved.toml")
    assert read.by_name(name) == candidate.limits[0]
    assert [one for one in read.limits if one.name != name] == [
        one for one in limits.limits if one.name != name
    ]


def test_a_file_that_is_there_stays(tmp_path: Path):
    """Nothing is overwritten."""
    path = tmp_path / "limits.toml"
    write_limits(path, "format = 1\n")
    with pytest.raises(InputError, match="already exists"):
        write_limits(path, "format = 2\n")
    assert path.read_text(encoding="utf-8") == "format = 1\n"
