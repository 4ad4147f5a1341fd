"""The product's source as data, for the tests of its rooms, its imports and its names."""

import ast
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PARTS = ("logger", "replay", "dashboard")
FOUNDATION = "logger"
"""The room of what lies directly in `logger/`: errors, settings files, kinds of arrays."""


@cache
def sources() -> Mapping[str, Path]:
    """Return the product's modules by their dotted names; a package by its own name."""
    paths = [ROOT / "dutytrace.py"]
    for part in PARTS:
        paths += (ROOT / part).glob("**/*.py")
    return {_dotted(path): path for path in sorted(paths)}


def _dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def syntax(module: str) -> ast.Module:
    """Return a module's syntax tree."""
    return ast.parse(sources()[module].read_text(encoding="utf-8"))


@cache
def packages() -> tuple[str, ...]:
    """Return the names of the packages: the rooms and the rooms within rooms."""
    return tuple(name for name, path in sources().items() if path.name == "__init__.py")


def imported_names(module: str) -> Iterator[str]:
    """Yield the dotted name of everything that a module imports, wherever the line stands."""
    for node in ast.walk(syntax(module)):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if inner in sources() else node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@cache
def imports() -> Mapping[str, frozenset[str]]:
    """Return for each module of the product the modules of the product that it imports."""
    return {
        module: frozenset(name for name in imported_names(module) if name in sources()) - {module}
        for module in sources()
    }


@cache
def room_of(module: str) -> str:
    """Return the room of a module: a package of the logger, the foundation, or a whole part."""
    parts = module.split(".")
    if parts[0] != "logger" or len(parts) == 1:
        return parts[0]
    name = ".".join(parts[:2])
    return name if name in packages() else FOUNDATION


@cache
def package_of(module: str) -> str:
    """Return the package that a module lies in; a package lies in itself."""
    return module if module in packages() else module.rpartition(".")[0]


def circles(arrows: Mapping[str, frozenset[str]]) -> list[list[str]]:
    """Return every circle of a graph as the sorted names that reach each other (Tarjan 1972)."""
    index: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(name: str) -> None:
        index[name] = lowest[name] = len(index)
        stack.append(name)
        for other in sorted(arrows.get(name, ())):
            if other not in index:
                visit(other)
                lowest[name] = min(lowest[name], lowest[other])
            elif other in stack:
                lowest[name] = min(lowest[name], index[other])
        if lowest[name] == index[name]:
            at = stack.index(name)
            members = stack[at:]
            del stack[at:]
            if len(members) > 1:
                found.append(sorted(members))

    for name in sorted(arrows):
        if name not in index:
            visit(name)
    return found
