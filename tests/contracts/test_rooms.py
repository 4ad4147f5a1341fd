"""Every room has its map, and the map is the room."""

import ast
import re

import pytest

from tests.contracts.tree import ROOT, packages, sources, syntax

MOST_LINES = 400
MOST_MODULES = 14
"""Twelve are what a person keeps in the head; two more pass without a word."""
REASON = "Kept together:"
"""How the docstring of a larger room begins to say why it is not two."""
# `name  what it is` or `name/  what it is`, at the margin or one step in.
_ENTRY = re.compile(r"^(?: {4})?([a-z_][a-z0-9_]*)/?  +\S", flags=re.MULTILINE)
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def _map(package: str) -> str:
    return ast.get_docstring(syntax(package)) or ""


def _contents(package: str) -> set[str]:
    """Return the names of the modules of a package and of the folders in it."""
    folder = sources()[package].parent
    return {
        path.stem
        for path in folder.iterdir()
        if (path.suffix == ".py" or path.is_dir()) and not path.name.startswith(("_", "."))
    }


@pytest.mark.parametrize("package", packages())
def test_the_docstring_of_a_room_is_its_map(package: str):
    """It has a line for each module and each folder of the room, and for nothing else."""
    if not _contents(package):
        assert _map(package), f"{package} has no docstring"
        return
    named = set(_ENTRY.findall(_map(package)))
    assert _contents(package) <= named, (
        f"{package}/__init__.py: add a line `name  what it is` for "
        f"{sorted(_contents(package) - named)}"
    )
    assert named <= _contents(package), (
        f"{package}/__init__.py: {sorted(named - _contents(package))} are gone, remove the lines"
    )


@pytest.mark.parametrize("package", packages())
def test_a_room_can_be_kept_in_the_head(package: str):
    """A room of more than fourteen modules says why it is one room."""
    modules = [path for path in sources()[package].parent.glob("*.py") if path.stem[0] != "_"]
    assert len(modules) <= MOST_MODULES or REASON in _map(package), (
        f"{package} has {len(modules)} modules: make two rooms of it, or say in its docstring, "
        f"after {REASON!r}, why not"
    )


def test_the_room_map_of_the_documentation_is_complete():
    """DEVELOPERS.md has one line for each room, and none for a room that is gone."""
    found = re.search(r"## Rooms\n.*?```\n(.*?)```", DEVELOPERS, flags=re.DOTALL)
    assert found is not None, "DEVELOPERS.md has no room map below `## Rooms`"
    named = set(re.findall(r"^([a-z_][a-z0-9_/]*)/ ", found[1], flags=re.MULTILINE))
    rooms = {package.replace(".", "/") for package in packages()}
    folders = {"logger/joint/layouts", "logger/simulate/scenario", "dashboard/assets"}
    assert rooms - folders <= named, f"DEVELOPERS.md: add {sorted(rooms - folders - named)}"
    assert named <= rooms | folders, f"DEVELOPERS.md: {sorted(named - rooms - folders)} are gone"


def test_the_paths_of_the_documentation_exist():
    """Every path that DEVELOPERS.md names in full is in the tree."""
    paths = re.findall(
        r"`((?:logger|replay|dashboard|tests)/[a-z0-9_/.-]+?\.(?:py|mjs|toml|json|sh))`", DEVELOPERS
    )
    gone = sorted({path for path in paths if not (ROOT / path).exists()})
    assert not gone, f"DEVELOPERS.md names what is not there: {gone}"


def test_no_file_is_long():
    """A Python file, test or product, has at most 400 lines: beyond that it is two ideas."""
    files = [*sources().values(), *(ROOT / "tests").glob("**/*.py")]
    long = {
        str(path.relative_to(ROOT)): count
        for path in files
        if (count := path.read_text("utf-8").count("\n")) > MOST_LINES
    }
    assert not long, f"split at the second idea: {long}"


def test_no_drawer_for_odds_and_ends():
    """A file is named after its one idea."""
    drawers = {"utils", "helpers", "common", "manager", "misc", "tools"}
    assert not [module for module in sources() if module.rpartition(".")[2] in drawers - {"tools"}]
    assert not [path for path in sources().values() if path.stem == "tools"]


def test_every_module_says_what_it_is_for():
    """A module without a docstring has no promise to keep."""
    for module in sources():
        assert ast.get_docstring(syntax(module)), f"{module} has no docstring"
