"""Which part may know which: imports run downwards only."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(
    [*ROOT.glob("logger/**/*.py"), *ROOT.glob("replay/**/*.py"), *ROOT.glob("dashboard/**/*.py")]
)
# Lower numbers may not import higher ones.
FLOORS = {
    "logger.errors": 0,
    "logger.arrays": 0,
    "logger.cancellation": 0,
    "logger.time_chunks": 0,
    "logger.settings_file": 0,
    "logger.event_kind": 0,
    "logger.aligned": 0,
    "logger.joint": 1,
    "logger.limits": 2,
    "logger.bus": 3,
    "logger.store": 3,
    "logger.recording.per_second": 4,
    "logger.recording.thermal_resume": 3,
    "logger.recording.resume": 4,
    "logger.recording.frame_queue": 4,
    "logger.recording.notice_throttle": 4,
    "logger.recording.limits_watcher": 4,
    "logger.notify": 4,
    "logger.recording": 5,
    "logger.importing.prefetch": 4,
    "logger.importing.sensor_table": 4,
    "logger.importing.message_batch": 4,
    "logger.importing.text_log": 5,
    "logger.importing.log_reader": 6,
    "logger.importing.channel_map": 4,
    "logger.importing.import_frames": 6,
    "logger.importing.log_frames": 6,
    "logger.importing.recorded_health": 6,
    "logger.importing.redecode": 6,
    "logger.layout_tools.dbc_import": 6,
    "logger.layout_tools.preview": 7,
    "logger.simulate": 7,
    "replay": 8,
    "dashboard": 9,
    "dutytrace": 10,
}
# What a bus said in figures and words is computed alike while listening and afterwards. These
# modules are pure; they stand in `bus` beside what feeds them, and replay may know no other of it.
BUS_FIGURES = {
    f"logger.bus.{name}"
    for name in ("answers", "cadence", "error_classes", "figures", "frame_length", "hints")
}
REPLAY_MAY = (
    *("logger.errors", "logger.arrays", "logger.cancellation", "logger.time_chunks"),
    *("logger.settings_file", "logger.event_kind"),
    *("logger.joint", "logger.limits", "logger.store"),
    *sorted(BUS_FIGURES),
    "replay",
)


def _module(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _room(module: str) -> str:
    parts = module.split(".")
    return parts[0] if parts[0] != "logger" else ".".join(parts[:2])


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= names if node.module == "logger" else {node.module}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in {"logger", "replay", "dashboard"}}


@pytest.mark.parametrize("path", SOURCES, ids=_module)
def test_imports_run_downwards(path: Path):
    """No room imports one above it; bus and store, side by side, do not know each other."""
    here = _room(_module(path))
    if here == "logger":
        return
    for name in _imported(path):
        there = _room(name)
        assert FLOORS[there] <= FLOORS[here], f"{_module(path)} imports {name}"
        if FLOORS[there] == FLOORS[here]:
            assert there == here or FLOORS[here] in {0, 6}, f"{_module(path)} imports {name}"


def test_replay_reads_and_nothing_else():
    """Replay knows joints, limits, the store and figures of a bus; never a bus or a page."""
    for path in ROOT.glob("replay/**/*.py"):
        for name in _imported(path):
            assert name.startswith(REPLAY_MAY), f"{_module(path)} imports {name}"


def test_pure_rooms_touch_nothing():
    """Joint and limits import no clock, socket, thread or bus."""
    outside = {"time", "socket", "threading", "can", "subprocess", "asyncio", "os", "random"}
    for room in ("logger/joint", "logger/limits"):
        for path in (ROOT / room).glob("**/*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = []
                if isinstance(node, ast.Import):
                    names = [alias.name for alias in node.names]
                elif isinstance(node, ast.ImportFrom):
                    names = [node.module or ""]
                assert not outside & {name.split(".")[0] for name in names}, path


def test_the_figures_of_a_bus_touch_no_bus():
    """What replay may import of `bus` imports numpy, joints and itself; so nothing is opened."""
    plain = {"bisect", "collections", "dataclasses", "typing", "numpy", "numpy.typing"}
    for module in BUS_FIGURES:
        path = ROOT / f"{module.replace('.', '/')}.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                known = name in BUS_FIGURES or name.startswith("logger.joint.")
                known |= name in {"logger.arrays", "logger.event_kind"}
                assert known or name in plain or name == "collections.abc", f"{module}: {name}"


def test_only_the_front_door_prints():
    """`print(` stands nowhere in the packages."""
    for path in SOURCES:
        calls = [
            node.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        ]
        assert "print" not in calls, path


@pytest.mark.parametrize(
    "package",
    [
        "logger",
        "logger/joint",
        "logger/limits",
        "logger/bus",
        "logger/store",
        "logger/store/reading",
        "logger/recording",
        "logger/simulate",
        "replay",
        "replay/tuning",
        "dashboard",
    ],
)
def test_a_package_docstring_is_its_map(package: str):
    """Each module and room is named in the docstring of its package."""
    text = ast.get_docstring(ast.parse((ROOT / package / "__init__.py").read_text("utf-8"))) or ""
    for item in (ROOT / package).iterdir():
        name = item.stem if item.suffix == ".py" else item.name
        if name.startswith(("_", ".")) or item.suffix not in {".py", ""}:
            continue
        assert name in text, f"{package} does not name {name}"


def test_no_drawer_for_odds_and_ends():
    """A file is named after its one idea."""
    for path in SOURCES:
        assert path.stem not in {"utils", "helpers", "common", "manager", "misc", "tools"}


@pytest.mark.parametrize("package", ["logger", "replay", "dashboard"])
def test_types_ship(package: str):
    """The packages carry their marker for type checkers."""
    assert (ROOT / package / "py.typed").exists()


def test_only_the_front_door_knows_the_demo():
    """Simulated joints are a source like any other: no other part imports them."""
    for path in SOURCES:
        if "simulate" in path.parts:
            continue
        assert not {name for name in _imported(path) if name.startswith("logger.simulate")}, path


def test_every_module_says_what_it_is_for():
    """A module without a docstring has no promise to keep."""
    for path in SOURCES:
        assert ast.get_docstring(ast.parse(path.read_text("utf-8"))), path


def test_log_is_the_name_for_logging():
    """`logger` is a package here; what logs is called `log`."""
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Assign) and "getLogger" in ast.unparse(node.value):
                assert [ast.unparse(target) for target in node.targets] == ["log"], path
