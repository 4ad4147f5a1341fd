"""Settings files that somebody has half edited: always a sentence, never a traceback."""

import copy
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.layout import parse_layout, shipped_layout_text, shipped_layouts
from tests.support.depth import examples

STRANGE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False),
    st.sampled_from(["", "node", "0x", "a" * 300, "\u20ac", "0..", "current_A"]),
    st.just([]),
    st.just([1, "x"]),
    st.just({}),
    st.just({"a": 1}),
)
THEIRS = ("pydantic", "Error", "Input should", "Value error", "validation", "tuple", "None")
"""Words of the library that checks, and of Python: nothing that a reader of a file knows."""
BENCH = """
[bus]
interface = "virtual"
bitrate = 500000
[[joint]]
name = "a"
layout = "LAYOUT"
node = 3
gear_ratio = 9.0
reversed = true
current = { convention = "phase_rms" }
rated = { torque = 18.0, current = 11.0 }
value = { position_rad = { per_turn = 131072 }, speed_rad_s = { unit = "rpm" } }
mapping = { tpdo1 = ["0x6041/16", "0x6064/32"], tpdo2 = ["0x606C/32"] }
"""


def _toml(value: object) -> str:
    """Write a value as inline TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return _key(value) if isinstance(value, str) else repr(value)


def _key(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def _places(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    found = [path] if path else []
    items: list[tuple[object, object]] = []
    if isinstance(value, dict):
        items = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    for key, item in items:
        found += _places(item, (*path, key))
    return found


def _hurt(draw: st.DrawFn, tree: dict[str, object]) -> str:
    """Change, remove, add or double up to three places of a settings file."""
    tree = copy.deepcopy(tree)
    for _ in range(draw(st.integers(1, 3))):
        places = _places(tree)
        if not places:
            break
        *way, last = draw(st.sampled_from(places))
        here: object = tree
        for step in way:
            here = here[step]  # type: ignore[index]
        what = draw(st.sampled_from(["change", "remove", "add"]))
        strange = draw(STRANGE)
        if what == "remove":
            del here[last]  # type: ignore[attr-defined]
        elif what == "add" and isinstance(here, dict):
            here[f"{last}x"] = here[last]
        elif what == "add" and isinstance(here, list):
            here.append(copy.deepcopy(here[last]))  # type: ignore[call-overload]
        elif strange is not None:
            here[last] = copy.deepcopy(strange)  # type: ignore[index]
    return "\n".join(f"{_key(key)} = {_toml(value)}" for key, value in tree.items())


@st.composite
def _files(draw: st.DrawFn) -> tuple[str, str, str]:
    name = draw(st.sampled_from(shipped_layouts()))
    layout, bench = shipped_layout_text(name), BENCH.replace("LAYOUT", name)
    assert layout is not None
    if name != "cia402":
        bench = bench[: bench.index("value =")]
    if draw(st.booleans()):
        return name, bench, _hurt(draw, tomllib.loads(layout))
    return name, _hurt(draw, tomllib.loads(bench)), layout


@settings(max_examples=examples(300))
@given(files=_files())
def test_a_file_that_was_hurt_is_read_or_refused_in_words(files: tuple[str, str, str]):
    """Whatever was changed, removed or doubled: a bench, or sentences that name the file."""
    name, bench, layout = files
    try:
        read = bench_from_texts(bench, {name: layout}, where="bench.toml")
    except InputError as fault:
        sentences = str(fault).splitlines()
        assert sentences
        assert all(
            line.startswith(("bench.toml: ", f"{name}.toml (layout): ")) for line in sentences
        )
        assert not any(word in line for line in sentences for word in THEIRS)
        return
    assert isinstance(read, Bench)


def test_the_files_are_sound_to_begin_with():
    """Else the law above would hold of nothing."""
    for name in shipped_layouts():
        text = shipped_layout_text(name)
        assert text is not None
        assert parse_layout(text, name).name == name
    assert bench_from_texts(
        BENCH.replace("LAYOUT", "cia402"),
        {"cia402": shipped_layout_text("cia402") or ""},
        where="b",
    ).joints
