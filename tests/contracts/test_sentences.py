"""Sentences are for people: nothing in the product reads one back.

What an event concerns and what is wrong about an input stand in fields. The one exception reads the
events of recorders from before their columns.
"""

import ast
import re
from pathlib import Path

import pytest

from logger.event_kind import EventKind

ROOT = Path(__file__).parents[2]
PYTHON = sorted(
    [
        *ROOT.glob("logger/**/*.py"),
        *ROOT.glob("replay/**/*.py"),
        *ROOT.glob("dashboard/**/*.py"),
        ROOT / "dutytrace.py",
    ]
)
SCRIPTS = sorted([*ROOT.glob("dashboard/**/*.js"), *ROOT.glob("dashboard/**/*.mjs")])
FALLBACK = "older_events.py"
# Texts of python-can and of the serial line's adapter, which carry no fields; not ours.
FOREIGN = {"quirks.py", "serial_text.py", "python_can_workarounds.py"}
# Questions that are asked of a text to take it apart; `split()` alone only tidies its blanks.
TAKING_APART = {
    *("startswith", "endswith", "partition", "rpartition", "split", "splitlines", "find", "index"),
    *("removeprefix", "removesuffix", "replace"),
}
SENTENCES = {"text", "message", "sentence", "fault", "said"}
ERRORS = {"fault", "error", "wrong", "refused", "exception", "exc"}


def _speaks(node: ast.expr) -> bool:
    """Whether an expression is a sentence: `event.text`, `str(fault)`, an f-string of an error."""
    match node:
        case ast.Attribute(attr=attr, value=ast.Name(id=name)):
            of_event = {"event", "notice", "said", "lost", "alert", "change", "mistake"}
            return attr in SENTENCES and name in of_event
        case ast.Call(func=ast.Name(id="str"), args=[ast.Name(id=name)]):
            return name in ERRORS
    return False


def _read_back(path: Path) -> list[str]:
    """Return where a file takes a sentence apart or looks for words in one."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Call(func=ast.Attribute(attr=attr, value=of), args=[_, *_]) if (
                attr in TAKING_APART and _speaks(of)
            ):
                found.append(f"{path.relative_to(ROOT)}:{node.lineno}: .{attr} on a sentence")
            case ast.Call(func=ast.Attribute(value=ast.Name(id="re")), args=[_, *rest]) if any(
                map(_speaks, rest)
            ):
                found.append(f"{path.relative_to(ROOT)}:{node.lineno}: a pattern on a sentence")
            case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[of]) if _speaks(of):
                found.append(f"{path.relative_to(ROOT)}:{node.lineno}: looks for words in one")
    return found


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_sentence_is_read_back(path: Path):
    """No product file takes apart what an event or an error says; one place does, of before."""
    if path.name in FOREIGN or path.name == FALLBACK:
        return
    assert _read_back(path) == []


def test_the_one_place_is_found_by_the_same_look():
    """The look sees what it is to see: the fallback for older recordings, and nothing of ours."""
    (fallback,) = [path for path in PYTHON if path.name == FALLBACK]
    assert len(_read_back(fallback)) >= 2


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_no_script_reads_a_sentence_back(path: Path):
    """A page tells faults apart by their fields: no pattern meets a message."""
    text = path.read_text(encoding="utf-8")
    assert not re.findall(r"\.test\([^()]*\.(?:message|text|said)\)", text)
    assert not re.findall(
        r"\.(?:message|said|fault)\.(?:match|startsWith|endsWith|includes|split|indexOf|search)\(",
        text,
    )


KINDS = {str(kind) for kind in EventKind}
# Words that are nothing but kinds of events; others are columns, alert states or answers as well.
ONLY_KINDS = KINDS - {
    *("started", "ended", "note", "fault", "state", "dropped", "unanswered", "refused"),
    *("returned", "acknowledged", "shelved", "raised", "stop"),
}


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: str(path.relative_to(ROOT)))
def test_kinds_of_events_are_named(path: Path):
    """A kind is a member of the enum, never a bare string, wherever it is made or asked for."""
    if path.name in {"event_kind.py", "settings.py"}:
        # The tell file's own keys are texts of its format.
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            assert node.value not in ONLY_KINDS, f"{path}:{node.lineno}: {node.value!r}"
        if isinstance(node, ast.Compare) and isinstance(node.left, ast.Attribute):
            of = node.left
            named = isinstance(of.value, ast.Name) and of.value.id in {"event", "change"}
            for right in node.comparators if named and of.attr == "kind" else []:
                assert not isinstance(right, ast.Constant), f"{path}:{node.lineno}"


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: str(path.relative_to(ROOT)))
def test_validators_name_their_key_in_a_field(path: Path):
    """`SettingError("above", ...)`, never "above: ..." at the beginning of a text."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Raise(exc=ast.Call(func=ast.Name(id="ValueError"), args=[text])):
                begins = text.values[0] if isinstance(text, ast.JoinedStr) else text
                if isinstance(begins, ast.Constant) and isinstance(begins.value, str):
                    keyed = re.match(r"[A-Za-z_.]+: ", begins.value)
                    assert keyed is None, f"{path}:{node.lineno}: {begins.value!r}"
