"""README and DEVELOPERS.md say what is true: every fenced example is run or checked."""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from dutytrace import app
from logger.bus.line_pattern import compile_pattern
from logger.campaign.plan import check_plan_for_bench, read_plan
from logger.event_kind import EVENT_KIND_MEANINGS
from logger.joint.bench.bench import read_bench
from logger.joint.bench.layout import parse_layout, shipped_layout_text, shipped_layouts
from logger.joint.channels import USUAL_CHANNELS, channel_named, in_channel_order
from logger.joint.data_sheet import SHEET_QUANTITIES, sheet_keys
from logger.joint.quantities import QUANTITIES
from logger.layout_tools.traffic_proposal import read_marks
from logger.limits.kind import JointLimit
from logger.limits.kinds import KIND_NAMES, LIMIT_KINDS
from logger.limits.limit import check_for_bench, read_limits
from logger.notify.settings import read_notify
from logger.simulate.scenario import scenario_bench
from replay.tuning.sweep import read_sweep
from tests.support.command import run

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
FENCES = re.findall(r"```(\w*)\n(.*?)```", README, flags=re.DOTALL)
COMMANDS = [
    line.removeprefix("$ ")
    for kind, text in FENCES
    if kind == "console"
    for line in text.splitlines()
    if line.startswith("$ dutytrace ")
]


GROUPS = {group.name for group in app.registered_groups}


def _run(script: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=120,
    )


@pytest.fixture
def readers_bench(tmp_path: Path) -> Path:
    """Give the folder that a reader has after typing in the README's files."""
    bench, layout, request, limits, marks, *others = (
        text for kind, text in FENCES if kind == "toml"
    )
    pair, board, stop, tell, several, plan, claims, sweep, table = others
    (tmp_path / "marks.toml").write_text(marks, encoding="utf-8")
    assert read_marks(tmp_path / "marks.toml").turn == (14.5, 46.0)
    (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    (tmp_path / "my-joint.toml").write_text(layout, encoding="utf-8")
    (tmp_path / "asked-joint.toml").write_text(
        layout.replace('"my-joint"', '"asked-joint"') + request, encoding="utf-8"
    )
    (tmp_path / "asked.toml").write_text(bench.replace('"my-joint"', '"asked-joint"'), "utf-8")
    (tmp_path / "limits.toml").write_text(limits, encoding="utf-8")
    # The stop frame belongs below the joint; its bus has to be one that sends.
    (tmp_path / "stopping.toml").write_text(
        bench.replace("[[joint]]", "send = true\n\n[[joint]]") + stop, encoding="utf-8"
    )
    (tmp_path / "tell.toml").write_text(tell, encoding="utf-8")
    (tmp_path / "board.toml").write_text(
        board + bench[bench.index("[[joint]]") :], encoding="utf-8"
    )
    (tmp_path / "several.toml").write_text(several, encoding="utf-8")
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "claimed.toml").write_text(bench + claims, encoding="utf-8")
    (tmp_path / "sweep.toml").write_text(sweep, encoding="utf-8")
    (tmp_path / "pair.toml").write_text('format = 1\nname = "pair"\n' + pair, encoding="utf-8")
    (tmp_path / "two.toml").write_text(
        bench.partition("[[joint]]")[0]
        + "".join(
            f'[[joint]]\nname = "{name}"\nlayout = "pair"\nnode = 5\nslot = {slot}\n'
            for slot, name in enumerate(("pan", "tilt"))
        ),
        encoding="utf-8",
    )
    (tmp_path / "arm.toml").write_text(table, encoding="utf-8")
    return tmp_path


def test_the_readers_files_fit_each_other(readers_bench: Path):
    """Bench, layout and limits of the guide are accepted, together."""
    bench = read_bench(readers_bench / "bench.toml")
    check_for_bench(read_limits(readers_bench / "limits.toml"), bench, "limits.toml")
    pattern = compile_pattern(
        str(read_bench(readers_bench / "board.toml").buses[0].options["pattern"])
    )
    line = next(line for line in README.splitlines() if line.startswith("That reads `"))
    assert pattern.parse_line(line.split("`")[1]) is not None
    assert [one.name for one in read_notify(readers_bench / "tell.toml").all_targets] == [
        "desk",
        "lamp",
    ]
    assert read_bench(readers_bench / "stopping.toml").joints[0].stop is not None
    assert len(read_bench(readers_bench / "several.toml").buses) == 2
    check_plan_for_bench(
        read_plan(readers_bench / "plan.toml"), scenario_bench(channel="x"), "plan.toml"
    )
    claimed = read_bench(readers_bench / "claimed.toml")
    claims = claimed.claims_of(claimed.joints[0])
    assert [one.text for one in claims] == ["24.0", "9.0", "10.0"]
    assert claims[1].conditions["mounting"] == claimed.joints[0].mounting
    asked = read_bench(readers_bench / "asked.toml")
    assert [one.answer for one in asked.layout_of(asked.joints[0]).request] == [("status",)]
    two = read_bench(readers_bench / "two.toml")
    pan, tilt = (two.channels_of(joint) for joint in two.joints)
    assert set(tilt) - set(pan) == {"temperature_housing_degC"}
    limits = read_limits(readers_bench / "limits.toml")
    arm = read_bench(readers_bench / "arm.toml")
    assert arm.channels_of(arm.joints[0]) == ("current_A", "torque_Nm")
    assert len(read_sweep(readers_bench / "sweep.toml", limits).candidates) == 7


def test_the_decoded_frame_is_what_the_guide_says(readers_bench: Path):
    """The command of the guide prints the lines of the guide."""
    text = next(text for kind, text in FENCES if "dutytrace decode" in text)
    command, _, printed = text.partition("\n")
    done = run(*shlex.split(command.removeprefix("$ dutytrace ")), cwd=readers_bench)
    assert done.returncode == 0, done.stderr
    assert done.stdout == printed


@pytest.mark.parametrize(
    ("library", "shown"),
    [
        ("pandas", "hottest['shoulder']"),
        ("duckdb", "dict(hottest.fetchall())['shoulder']"),
        ("polars", "dict(hottest.iter_rows())['shoulder']"),
    ],
)
def test_the_python_examples_run(library: str, shown: str):
    """The lines of the guide read the recording that comes with the source."""
    pytest.importorskip(library)
    text = next(text for kind, text in FENCES if kind == "python" and f"import {library}" in text)
    done = _run(f"{text}\nprint({shown})")
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) > 80


@pytest.mark.parametrize("command", COMMANDS)
def test_commands_of_the_guide_exist(command: str):
    """Each command and each option of it is one that the front door has."""
    _, name, *words = shlex.split(command)
    within = [words[0]] if name in GROUPS else []
    shown = run(name, *within, "--help", cwd=ROOT)
    assert shown.returncode == 0, shown.stderr
    for word in words:
        if word.startswith("--"):
            assert word in shown.stdout, f"{name} has no {word}"


def test_the_table_of_commands_is_the_front_doors():
    """No command is missing from the README's table, and none is invented."""
    rows = re.findall(r"^\| `dutytrace (\w+)(?: ([a-z]\w*))?", README, flags=re.MULTILINE)
    listed = {" ".join(filter(None, row)) for row in rows}
    named = {command.name or command.callback.__name__ for command in app.registered_commands}
    for group in app.registered_groups:
        named |= {f"{group.name} {one.name}" for one in group.typer_instance.registered_commands}
    assert listed == named


def test_every_kind_of_limit_is_told():
    """The guide says when each speaks up, and the developers' table what a gap does to it."""
    guide = README.partition("| kind | speaks up when |")[2].partition("\n\n")[0]
    assert set(re.findall(r"`([a-z-]+)`", guide)) >= set(KIND_NAMES)
    gaps = DEVELOPERS.partition("| kind | what a gap that is not bridged does |")[2].partition(
        "\n\n"
    )[0]
    told = set(re.findall(r"[a-z-]+", " ".join(row[2:].split("|")[0] for row in gaps.split("\n"))))
    assert told >= {one.kind_name() for one in LIMIT_KINDS if issubclass(one, JointLimit)}


def test_the_column_table_is_generated():
    """DEVELOPERS.md's table of channels is what the code declares."""
    rows = ["| column | unit (UCUM) | type | lowest | highest |", "|---|---|---|---|---|"]
    rows += [
        f"| `{one.name}` | {one.ucum} | {'int64' if one.whole else 'double'} | {one.lowest:g} "
        f"| {one.highest:g} |"
        for one in map(channel_named, USUAL_CHANNELS)
    ]
    found = re.search(r"<!-- channels:.*?-->\n(.*?)\n<!-- end", DEVELOPERS, flags=re.DOTALL)
    assert found is not None
    assert found[1].splitlines() == rows


def test_the_table_of_quantities_is_generated():
    """README's table of what a channel can carry is what the code declares."""
    rows = ["| quantity | unit | a layout may give it in | valid | usual channels |"]
    rows += ["|---|---|---|---|---|"]
    for one in QUANTITIES.values():
        usual = (name for name in USUAL_CHANNELS if channel_named(name).quantity == one.name)
        units = ", ".join(f"`{unit}`" for unit in one.input_units)
        rows.append(
            f"| {one.name} | `{one.unit}` | {units} | {one.lowest:g} to {one.highest:g} "
            f"| {', '.join(f'`{name}`' for name in usual)} |"
        )
    found = re.search(r"<!-- channels:.*?-->\n(.*?)\n<!-- end", README, flags=re.DOTALL)
    assert found is not None
    assert found[1].splitlines() == rows, "\n".join(rows)


def test_the_table_of_claims_is_generated():
    """README's table of what a maker may claim is what the code declares."""
    rows = ["| quantity | keys of a claim | better is | where it was not measured |"]
    rows += ["|---|---|---|---|"]
    for one in SHEET_QUANTITIES.values():
        keys = ", ".join(f"`{key}`" for key in sheet_keys(one))
        rows.append(f"| {one.label} | {keys} | {one.better} | {one.measure} |")
    found = re.search(r"<!-- claims:.*?-->\n(.*?)\n<!-- end", README, flags=re.DOTALL)
    assert found is not None
    assert found[1].splitlines() == rows, "\n".join(rows)


def test_the_list_of_event_kinds_is_generated():
    """DEVELOPERS.md's table of event kinds is what the code declares."""
    rows = ["| kind | what it tells |", "|---|---|"]
    rows += [f"| {kind} | {meaning} |" for kind, meaning in EVENT_KIND_MEANINGS.items()]
    found = re.search(r"<!-- event kinds:.*?-->\n(.*?)\n<!-- end", DEVELOPERS, flags=re.DOTALL)
    assert found is not None
    assert found[1].splitlines() == rows


def _layouts() -> list[str]:
    """Return the rows of README's table of the layouts that ship."""
    rows = ["| layout | what it is | frames | channels |", "|---|---|---|---|"]
    for name in shipped_layouts():
        text = shipped_layout_text(name)
        assert text is not None
        layout = parse_layout(text, name)
        channels = {*layout.channels, *(one.channel for one in layout.object)}
        carried = ", ".join(f"`{one}`" for one in in_channel_order(channels))
        asks = " Asks." if layout.request else ""
        frames = ", ".join(frame.name for frame in layout.frame)
        rows.append(f"| `{name}` | {layout.about}{asks} | {frames} | {carried} |")
    return rows


def test_the_table_of_layouts_is_generated():
    """README's table of layouts is what the files say."""
    found = re.search(r"<!-- layouts:.*?-->\n(.*?)\n<!-- end", README, flags=re.DOTALL)
    assert found is not None
    assert found[1].splitlines() == _layouts()


def test_the_picture_and_the_recording_are_there():
    """What the README shows and opens is part of the source, and small enough to be."""
    for picture in re.findall(r"!\[.*?\]\((.*?)\)", README):
        assert (ROOT / picture).exists(), picture
    recording = ROOT / "recordings" / "demo-overheat"
    size = sum(file.stat().st_size for file in recording.rglob("*") if file.is_file())
    assert 0 < size < 3_000_000


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_no_index_or_machine_stands_in_a_lock(name: str):
    """Pinned by hash, naming no address of a package index."""
    lock = (ROOT / name).read_text("utf-8")
    assert "://" not in lock
    assert "index" not in lock
    assert all("--hash=sha256:" in part for part in re.split(r"\n(?=\S)", lock.strip()))


def _locked(name: str) -> set[str]:
    return set(re.findall(r"^([a-z0-9-]+)==", (ROOT / name).read_text("utf-8"), flags=re.MULTILINE))


def test_the_demo_installs_what_the_program_needs_and_nothing_else():
    """No test library, no cloud SDK, nothing twice: what tests need is in the lock of its own."""
    program, tools = _locked("requirements.lock"), _locked("requirements-dev.lock")
    assert not program & tools
    assert not {"pytest", "mypy", "ruff", "boto3", "botocore", "moto", "pandas", "dask"} & program
    assert {"pytest", "mypy", "ruff", "moto", "pandas"} <= tools
    assert len(program) <= 70


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_the_units_of_the_guide_are_units(tmp_path: Path):
    """Every section, key and value is one that systemd knows."""
    pattern = r"```ini\n# /etc/systemd/system/([\w-]+\.service)(.*?)```"
    units = re.findall(pattern, README, re.DOTALL)
    assert [name for name, _ in units] == ["dutytrace.service", "dutytrace-campaign.service"]
    for name, text in units:
        unit = tmp_path / name
        # There is no such program and no such user here.
        known = text.replace("/opt/dutytrace/.venv/bin/dutytrace", sys.executable)
        unit.write_text(f"#{known.replace('User=bench', 'User=root')}", encoding="utf-8")
        told = subprocess.run(
            ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False
        )
        assert name not in told.stderr, told.stderr
