"""Sentences are for people: nothing in the product reads one back.

What an event concerns and what is wrong about an input stand in fields. The one exception reads the
events of recorders from before their columns.
"""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

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
KEYED = r"[A-Za-z_.]+: "
ERRORS = {"fault", "error", "wrong", "refused", "exception", "exc"}


def _at(path: Path, node: ast.expr | ast.stmt) -> str:
    return f"{path.relative_to(ROOT)}:{node.lineno}"


def _speaks(node: ast.expr) -> bool:
    """Whether an expression is a sentence: `event.text`, `str(fault)`, an f-string of an error."""
    match node:
        case ast.Attribute(attr=attr, value=ast.Name(id=name)):
            of_event = {"event", "notice", "said", "lost", "alert", "change", "mistake"}
            return attr in SENTENCES and name in of_event
        case ast.Call(func=ast.Name(id="str"), args=[ast.Name(id=name)]):
            return name in ERRORS
    return False


def _read_back(path: Path, nodes: list[ast.AST]) -> list[str]:
    """Return where a file takes a sentence apart or looks for words in one."""
    found = []
    for node in nodes:
        match node:
            case ast.Call(func=ast.Attribute(attr=attr, value=of), args=[_, *_]) if (
                attr in TAKING_APART and _speaks(of)
            ):
                found.append(f"{_at(path, node)}: .{attr} on a sentence")
            case ast.Call(func=ast.Attribute(value=ast.Name(id="re")), args=[_, *rest]) if any(
                map(_speaks, rest)
            ):
                found.append(f"{_at(path, node)}: a pattern on a sentence")
            case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[of]) if _speaks(of):
                found.append(f"{_at(path, node)}: looks for words in one")
    return found


KINDS = {str(kind) for kind in EventKind}
# Words that are nothing but kinds of events; others are columns, alert states or answers as well.
ONLY_KINDS = KINDS - {
    *("started", "ended", "note", "fault", "state", "dropped", "unanswered", "refused"),
    *("returned", "acknowledged", "shelved", "raised", "stop"),
}


def _unnamed_kinds(path: Path, nodes: list[ast.AST]) -> Iterator[str]:
    """Yield where a file has a kind of event as a bare string."""
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            if node.value in ONLY_KINDS:
                yield f"{_at(path, node)}: {node.value!r}"
        elif isinstance(node, ast.Compare) and isinstance(node.left, ast.Attribute):
            of = node.left
            named = isinstance(of.value, ast.Name) and of.value.id in {"event", "change"}
            if named and of.attr == "kind":
                bare = [right for right in node.comparators if isinstance(right, ast.Constant)]
                yield from (f"{_at(path, node)}: {right.value!r}" for right in bare)


def _keyed_texts(path: Path, nodes: list[ast.AST]) -> Iterator[str]:
    """Yield where a file raises a ValueError whose text begins with a key."""
    for node in nodes:
        match node:
            case ast.Raise(exc=ast.Call(func=ast.Name(id="ValueError"), args=[text])):
                begins = text.values[0] if isinstance(text, ast.JoinedStr) else text
                if isinstance(begins, ast.Constant) and re.match(KEYED, str(begins.value)):
                    yield f"{_at(path, node)}: {begins.value!r}"


# Many files are one test: each as a test of its own would cost more than to look at it.
@cache
def _found(path: Path) -> tuple[list[str], list[str], list[str]]:
    """Return what each of the three looks finds in a file, which is parsed once for all of them."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    return (
        _read_back(path, nodes), list(_unnamed_kinds(path, nodes)), list(_keyed_texts(path, nodes))
    )  # fmt: skip


def test_no_sentence_is_read_back():
    """No product file takes apart what an event or an error says; one place does, of before."""
    ours = [path for path in PYTHON if path.name not in FOREIGN | {FALLBACK}]
    assert [one for path in ours for one in _found(path)[0]] == []


def test_the_one_place_is_found_by_the_same_look():
    """The look sees what it is to see: the fallback for older recordings, and nothing of ours."""
    (fallback,) = [path for path in PYTHON if path.name == FALLBACK]
    assert len(_found(fallback)[0]) >= 2


def test_no_script_reads_a_sentence_back():
    """A page tells faults apart by their fields: no pattern meets a message."""
    patterns = (
        r"\.test\([^()]*\.(?:message|text|said)\)",
        r"\.(?:message|said|fault)\.(?:match|startsWith|endsWith|includes|split|indexOf|search)\(",
    )
    found = [
        f"{path.relative_to(ROOT)}: {words}"
        for path in SCRIPTS
        for pattern in patterns
        for words in re.findall(pattern, path.read_text(encoding="utf-8"))
    ]
    assert len(SCRIPTS) > 50
    assert found == []


def test_kinds_of_events_are_named():
    """A kind is a member of the enum, never a bare string, wherever it is made or asked for."""
    # The tell file's own keys are texts of its format.
    others = [path for path in PYTHON if path.name not in {"event_kind.py", "settings.py"}]
    assert [one for path in others for one in _found(path)[1]] == []
    # The look sees what it is to see.
    (kinds,) = [path for path in PYTHON if path.name == "event_kind.py"]
    assert len(_found(kinds)[1]) >= len(ONLY_KINDS)


def test_validators_name_their_key_in_a_field():
    """`SettingError("above", ...)`, never "above: ..." at the beginning of a text."""
    assert [one for path in PYTHON for one in _found(path)[2]] == []
