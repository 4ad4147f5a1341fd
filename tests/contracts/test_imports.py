"""Which room may know which: imports run downwards only, and nothing goes in a circle."""

import ast
from collections import defaultdict

import pytest

from tests.contracts.tree import (
    FOUNDATION,
    PARTS,
    ROOT,
    circles,
    imported_names,
    imports,
    package_of,
    packages,
    room_of,
    sources,
    syntax,
)

# From the lowest to the highest. A room may import from the lines before its own; rooms of one line
# stand side by side and do not know each other. FOUNDATION is what lies directly in logger/.
FLOORS = (
    (FOUNDATION,),
    ("logger.joint",),
    ("logger.heat",),
    (
        "logger.limits",
        "logger.traffic",
        "logger.findings",
        "logger.campaign",
        "logger.layout_finder",
    ),
    ("logger.bus", "logger.store"),
    ("logger.notify",),
    ("logger.recording",),
    ("logger.importing",),
    ("logger.layout_tools", "logger.simulate"),
    ("logger.cli",),
    ("replay",),
    ("dashboard",),
    ("dutytrace",),
)
# The same within a room of rooms. What lies directly in the room may stand above or below them.
SUB_FLOORS = {
    "logger.joint": (("bench", "thermal"), ("decode",), ("explain",)),
    "logger.store": (
        *(("layout",), ("parts",), ("pyramid",), ("writing",), ("reading",)),
        *(("repair",), ("tools",)),
    ),
    "replay": (
        *(("evaluation",), ("heat",), ("duty", "excursions", "tuning", "sheet", "measure")),
        ("campaign", "instruments", "report"),
        ("motion",),
        *(("exploring",), ("library",)),
    ),
    "dashboard": (
        *(("text",), ("figures", "pages"), ("server",), ("live", "replay", "bus")),
        *(("limits", "heat", "measure", "found_layout", "sheet", "campaign"), ("access",)),
    ),
}
# Rooms without clock, disk, bus, thread or terminal.
PURE = (
    *("logger.joint", "logger.heat", "logger.limits", "logger.traffic", "logger.findings"),
    *("logger.campaign", "logger.layout_finder"),
)
OUTSIDE = {"time", "socket", "threading", "can", "subprocess", "asyncio", "os", "random", "select"}
REPLAY_MAY = {
    *(FOUNDATION, "logger.joint", "logger.heat", "logger.limits", "logger.traffic"),
    *("logger.findings", "logger.campaign", "logger.store"),
}
# What commands are made of: options, and what they write. Only commands know them.
COMMAND_PARTS = {"logger.cli.options", "logger.cli.terminal"}
MOST_ARROWS = 90


def _floors(floors: tuple[tuple[str, ...], ...]) -> dict[str, int]:
    return {room: floor for floor, rooms in enumerate(floors) for room in rooms}


def _fault(advice: str, places: list[str]) -> str:
    return "\n  ".join([f"{advice}:", *places])


def _is_command(module: str) -> bool:
    return module == "dutytrace" or ".cli" in module


def test_every_room_has_its_floor():
    """A new room has a place in FLOORS, and a room that is gone has none."""
    rooms = {room_of(module) for module in sources()}
    assert rooms == set(_floors(FLOORS)), "name the room in FLOORS, at the floor it may build on"
    for room, floors in SUB_FLOORS.items():
        inside = {name for name in packages() if name.rpartition(".")[0] == room}
        named = {f"{room}.{name}" for name in _floors(floors)}
        assert inside <= named | {"logger.joint.layouts"}, f"name it in SUB_FLOORS[{room!r}]"
        assert named <= inside, f"{sorted(named - inside)} are gone: take them out of SUB_FLOORS"


def test_imports_run_downwards():
    """No room imports one above it; rooms of one floor do not know each other."""
    floors = _floors(FLOORS)
    upward = [
        f"{module} (floor {floors[here]}) imports {name} (floor {floors[there]})"
        for module, names in imports().items()
        for name in sorted(names)
        if (here := room_of(module)) != (there := room_of(name)) and floors[there] >= floors[here]
    ]
    assert not upward, _fault("move what both need into a lower room, or pass it in", upward)


@pytest.mark.parametrize("room", sorted(SUB_FLOORS))
def test_imports_within_a_room_run_downwards(room: str):
    """The rooms within a room have an order as well."""
    floors = {f"{room}.{name}": floor for name, floor in _floors(SUB_FLOORS[room]).items()}

    def sub_of(module: str) -> str | None:
        return next((sub for sub in floors if f"{module}.".startswith(f"{sub}.")), None)

    upward = [
        f"{module} imports {name}"
        for module, names in imports().items()
        for name in sorted(names)
        if (here := sub_of(module)) and (there := sub_of(name))
        if here != there and floors[there] >= floors[here]
    ]
    assert not upward, _fault("move what both need into a lower room, or pass it in", upward)


def test_no_modules_import_each_other_in_a_circle():
    """No module reaches itself through what it imports, wherever the import line stands."""
    within = [
        f"{module} imports {name}"
        for circle in circles(imports())
        for module in circle
        for name in sorted(imports()[module] & set(circle))
    ]
    assert not within, _fault("a circle of modules; move what they share into another", within)


def test_no_rooms_import_each_other_in_a_circle():
    """Neither rooms nor the rooms within a room reach themselves through what they import.

    What lies directly in a room of rooms is part of none of these; the modules' own test sees it.
    """
    inner = {name for name in packages() if name.rpartition(".")[0] in SUB_FLOORS}
    for room in (room_of, package_of):
        arrows = defaultdict(set)
        for module, names in imports().items():
            for name in names:
                here, there = room(module), room(name)
                if here != there and (room is room_of or {here, there} <= inner):
                    arrows[here].add(there)
        found = circles({name: frozenset(known) for name, known in arrows.items()})
        assert not found, f"rooms in a circle: {found}"


def test_rooms_know_few_rooms():
    """The house stays loosely coupled: few pairs of rooms know each other."""
    arrows = {
        (room_of(module), room_of(name))
        for module, names in imports().items()
        for name in names
        if room_of(module) != room_of(name)
    }
    assert len(arrows) <= MOST_ARROWS, (
        f"{len(arrows)} pairs of rooms: a new one needs an old one gone"
    )


def test_replay_reads_and_nothing_else():
    """Replay knows joints, limits, traffic and the store; never a bus, a recorder or a page."""
    for module, names in imports().items():
        if module.split(".")[0] != "replay":
            continue
        for name in names:
            allowed = room_of(name) in {"replay", *REPLAY_MAY}
            allowed |= _is_command(module) and name in COMMAND_PARTS
            assert allowed, f"{module} imports {name}"


def test_only_commands_know_the_terminal():
    """What computes, records or serves neither reads options nor writes to the terminal."""
    for module, names in imports().items():
        if not _is_command(module):
            known = {name for name in names if ".cli" in name}
            assert not known, f"{module} imports {sorted(known)}: pass a callback in instead"


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_touch_nothing(room: str):
    """A pure room imports no clock, socket, thread, file system or bus."""
    for module in sources():
        if f"{module}.".startswith(f"{room}."):
            outside = {name.split(".")[0] for name in imported_names(module)} & OUTSIDE
            assert not outside, f"{module} imports {sorted(outside)}: {room} is pure"


def test_only_the_terminal_prints():
    """`print(` stands nowhere in the packages."""
    for module in sources():
        calls = {
            node.func.id
            for node in ast.walk(syntax(module))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert "print" not in calls, f"{module} prints: return it, and let the command show it"


def test_only_commands_know_the_demo():
    """Simulated joints are a source like any other: only commands import them."""
    for module, names in imports().items():
        if not module.startswith("logger.simulate") and not _is_command(module):
            assert not {name for name in names if name.startswith("logger.simulate")}, module


@pytest.mark.parametrize("part", PARTS)
def test_types_ship(part: str):
    """The packages carry their marker for type checkers."""
    assert (ROOT / part / "py.typed").exists()


def test_log_is_the_name_for_logging():
    """`logger` is a package here; what logs is called `log`."""
    for module in sources():
        for node in ast.walk(syntax(module)):
            if isinstance(node, ast.Assign) and "getLogger" in ast.unparse(node.value):
                assert [ast.unparse(target) for target in node.targets] == ["log"], module
