"""Names are those of the trade: one word for one thing, and none of the words that were retired."""

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from tests.contracts.tree import sources, syntax

MOST_ONE_WORD = 0.12
MOST_SHARED = 19
_SHARED_BY_DESIGN = {"__all__", "log"}
RETIRED = {
    word.partition(":")[0].strip(): word.partition(":")[2].strip()
    for word in (Path(__file__).parent / "retired_words.txt").read_text("utf-8").splitlines()
    if word and not word.startswith("#")
}
"""Each retired word, and what to write instead where that is one thing."""


def _defined(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Yield every identifier that a module makes, and its line."""
    for node in ast.walk(tree):
        match node:
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                yield node.name, node.lineno
            case ast.arg():
                yield node.arg, node.lineno
            case ast.Name(ctx=ast.Store()):
                yield node.id, node.lineno
            case ast.Attribute(ctx=ast.Store()):
                yield node.attr, node.lineno
            case ast.alias(asname=str(name)):
                yield name, node.lineno


def _words(name: str) -> set[str]:
    """Return the words of an identifier, of `snake_case` and of `CamelCase` alike."""
    spaced = "".join(
        f"_{letter}" if letter.isupper() and not name.isupper() else letter for letter in name
    )
    return set(spaced.lower().split("_"))


def _public_functions() -> list[tuple[str, str]]:
    return [
        (module, node.name)
        for module in sources()
        for node in syntax(module).body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name[0] != "_"
    ]


def test_no_retired_word_is_used():
    """No identifier and no module has a word that was retired because it meant several things."""
    found = [
        f"{module}, line {line}: {name} ({RETIRED[word] or 'the term of the trade'})"
        for module in sources()
        for name, line in [(module.rpartition(".")[2], 1), *_defined(syntax(module))]
        for word in sorted(_words(name) & RETIRED.keys())
    ]
    assert not found, "\n  ".join(
        ["rename (glossary in DEVELOPERS.md, retired words in retired_words.txt):", *found]
    )


def test_public_functions_say_what_they_do_to_what():
    """Few public functions have a name of one word: a verb without its object says little."""
    functions = _public_functions()
    one_word = sorted(f"{module}.{name}" for module, name in functions if "_" not in name)
    share = len(one_word) / len(functions)
    assert share < MOST_ONE_WORD, (
        f"{len(one_word)} of {len(functions)} public functions ({share:.0%}) have one word; "
        f"give them their object: {', '.join(one_word)}"
    )


def test_one_name_is_one_thing():
    """Few names of functions, classes and constants are defined in three or more files."""
    files = defaultdict(set)
    for module in sources():
        for node in syntax(module).body:
            match node:
                case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                    files[node.name].add(module)
                case ast.Assign(targets=targets):
                    for target in targets:
                        if isinstance(target, ast.Name):
                            files[target.id].add(module)
                case ast.AnnAssign(target=ast.Name(id=name)):
                    files[name].add(module)
    shared = {
        name: len(where)
        for name, where in files.items()
        if len(where) >= 3 and name not in _SHARED_BY_DESIGN
    }
    assert len(shared) <= MOST_SHARED, (
        f"{len(shared)} names stand in three or more files; name what each is of: "
        + ", ".join(f"{name} ({count})" for name, count in sorted(shared.items()))
    )
