"""A limits file that is edited: what was not changed stays, to the letter."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.limits.kinds import example_text
from logger.limits.limits_text import limit_tables, replace_limits_text

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
name = "quiet"
kind = "silence"
severity = "trip"
after_s = 1.0
"""


def test_nothing_changed_is_nothing_changed():
    """The same limits are the same text, comments and spacing and all."""
    for text in (TEXT, example_text()):
        assert replace_limits_text(text, limit_tables(text)) == text


def test_a_key_is_added_where_the_limit_stands():
    """A key that was not there stands with its limit, not behind the comment of the next."""
    hot, quiet = limit_tables(TEXT)
    found = replace_limits_text(TEXT, [{**hot, "on_delay_s": 5.0}, quiet])
    assert found == TEXT.replace("drop_off    = 67.0\n", "drop_off    = 67.0\non_delay_s = 5.0\n")


def test_a_key_is_taken_out():
    """A key that is not wanted any more is gone, and nothing else."""
    hot, quiet = limit_tables(TEXT)
    del hot["drop_off"]
    assert replace_limits_text(TEXT, [hot, quiet]) == TEXT.replace("drop_off    = 67.0\n", "")


def test_limits_come_and_go():
    """One that is added stands at the end, set off by a blank line; one taken out is gone."""
    hot, _ = limit_tables(TEXT)
    new = {"name": "new", "kind": "silence", "severity": "warning", "after_s": 2.0}
    found = replace_limits_text(TEXT, [hot, new])
    assert limit_tables(found) == [hot, new]
    assert found.startswith("# the bench in the corner\n")
    assert found.endswith('\n\n[[limit]]\nname = "new"\nkind = "silence"\n'
                          'severity = "warning"\nafter_s = 2.0\n')  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "format = 1\n",
        'format = 1\nlimit = [{name="a", kind="silence", severity="trip", after_s=1}]\n',
        TEXT.replace("\n", "\r\n"),
    ],
)
def test_any_layout_holds_what_was_asked_for(text: str):
    """However the file is laid out, what comes back holds just the limits that were given."""
    wanted = [
        *limit_tables(text),
        {"name": "b", "kind": "silence", "severity": "trip", "after_s": 0.5},
    ]
    wanted[0] = {**wanted[0], "severity": "warning"}
    assert limit_tables(replace_limits_text(text, wanted)) == wanted


VALUES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(2**40), 2**40),
    st.booleans(),
    st.text(max_size=20).filter(lambda s: "\x7f" not in s and s.isprintable()),
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=2),
)


@given(
    st.lists(
        st.dictionaries(st.sampled_from(["above", "note", "outside", "k"]), VALUES),
        max_size=4,
    )
)
def test_whatever_is_asked_for_is_held(keys: list[dict[str, object]]):
    """Any values of any keys read back as they were given."""
    tables = [{"name": name, **mine} for name, mine in zip("hqxy", keys, strict=False)]
    found = tomllib.loads(replace_limits_text(TEXT, tables))
    assert found.get("limit", []) == tables
