"""A campaign as the guide has it, in a machine whose power is cut again and again.

The service of the guide records, found and started by systemd alone. The power goes in the middle
of a stage, and again seconds after the recorder has come back; then somebody stops the service.
The joint tells its cycles to the outside, so that `judge` can hold what the recording says against
what was. CACHE keeps the kernel, which is fetched once.
"""

import json
import random
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from tests.support.followed_plan import LAYOUT
from tests.support.power_cut.joint import CYCLE_S
from tests.support.power_cut.losing_disk import LosingDisk
from tests.support.power_cut.machine import ROOT, Machine, build_system, missing_tools

__all__ = ["PowerCuts", "missing_tools", "run_story"]

RECORDING: Final = "/data/recordings/gear-endurance"
DISK_BYTES: Final = 256 << 20
BOOT_S: Final = 900.0
"""Within which the machine has to record, however busy this system is."""
CYCLE_WAIT_S: Final = 300.0
RUN_IN, LOADED, SOAK_S = 4, 12, 5.0
"""Short: the emulated processor takes minutes for a minute."""
BENCH: Final = """
[bus]
interface = "socketcan"
channel = "vcan0"
[[joint]]
name = "shoulder"
layout = "turned"
node = 1
serial = "0398"
"""
PLAN: Final = f"""
format = 1
name = "Gear endurance, shoulder"
[cycle]
channel = "position_rad"
above = 0.3
hysteresis = 0.4
[[stage]]
name = "run in"
cycles = {RUN_IN}
[[stage]]
name = "load"
cycles = {LOADED}
watch = ["cycle_time_s", "rms_torque_Nm"]
[[stage]]
name = "soak"
duration_s = {SOAK_S:g}
[[stage]]
name = "on"
cycles = 100_000
"""
TELL: Final = """
format = 1
[[command]]
name = "somebody"
of = ["stage begun", "stage ended", "cycles missing", "cycles again", "bus lost", "ended"]
run = ["/bin/sh", "-c", "cat >> /data/told.jsonl; echo >> /data/told.jsonl; sync"]
"""
LIMITS: Final = """
format = 1
[[limit]]
name = "housing-hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 80.0
"""
JOINT_SERVICE: Final = f"""
[Unit]
DefaultDependencies=no
[Service]
WorkingDirectory={ROOT}/tests/support/power_cut
ExecStart=/opt/dutytrace/.venv/bin/python -I -S joint.py /dev/ttyS1 {RECORDING}
"""


@dataclass(kw_only=True)
class PowerCuts:
    """What came of it."""

    folder: Path
    """With the recording as it was left at the end, and after each cut."""
    told: list[list[str]] = field(default_factory=list)
    """The lines of the joint, for each boot."""
    blocks: list[tuple[int, int]] = field(default_factory=list)
    """At each cut, of the blocks that no flush had asked for: kept, lost."""

    @property
    def recording(self) -> Path:
        """The recording at the end."""
        return self.folder / "end" / Path(RECORDING).name

    @property
    def messages(self) -> list[dict[str, Any]]:
        """What somebody was told."""
        text = (self.folder / "end-told.jsonl").read_text(encoding="utf-8")
        return [json.loads(line) for line in text.splitlines() if line]

    def times_ns(self, boot: int, word: str) -> list[int]:
        """Return when the joint told something in a boot, by the machine's wall clock."""
        return [int(line.split()[-1]) for line in self.told[boot] if line.startswith(f"{word} ")]


def _guide_service() -> str:
    """Return the service that the guide shows."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(r"```ini\n(# /etc/systemd/system/dutytrace-campaign.*?)```", text, re.DOTALL)
    assert found is not None, "the guide shows the service of a campaign"
    return found[1]


def _system_files() -> dict[str, str | Path]:
    units, venv = "/etc/systemd/system", "/opt/dutytrace/.venv"
    wanted = f"{units}/multi-user.target.wants"
    python = f"python{sys.version_info.major}.{sys.version_info.minor}"
    # Found by their paths there, which are those of this system.
    places = "\n".join([str(ROOT), *(one for one in sys.path if "site-packages" in one)])
    # The emulated processor would take minutes for what a full system starts beside it.
    wants = Path("/lib/systemd/system").glob("*.target.wants/*")
    masked = {one.name for one in wants if not one.name.startswith("systemd-journald")}
    return {
        f"{units}/dutytrace-campaign.service": _guide_service(),
        f"{units}/simulated-joint.service": JOINT_SERVICE,
        f"{units}/default.target": Path("/lib/systemd/system/multi-user.target"),
        f"{wanted}/dutytrace-campaign.service": Path(f"{units}/dutytrace-campaign.service"),
        f"{wanted}/simulated-joint.service": Path(f"{units}/simulated-joint.service"),
        **{f"{units}/{name}": Path("/dev/null") for name in masked},
        f"{venv}/pyvenv.cfg": "home = /opt/python/bin\ninclude-system-site-packages = false\n",
        f"{venv}/bin/python": Path(f"/opt/python/bin/{python}"),
        f"{venv}/lib/{python}/site-packages/host.pth": places + "\n",
        f"{venv}/bin/dutytrace": f"#!{venv}/bin/python\n"
        "import sys\nfrom dutytrace import main\nsys.exit(main())\n",
    }


def _make_disk(image: Path, folder: Path) -> None:
    data = folder / "data"
    (data / "recordings").mkdir(parents=True)
    layout = f'format = 1\nname = "turned"\n{LAYOUT}'.replace(
        "length = 8", "length = 8\nhold_s = 0.5"
    )
    for name, text in (
        *(("bench.toml", BENCH), ("turned.toml", layout), ("plan.toml", PLAN)),
        *(("tell.toml", TELL), ("limits.toml", LIMITS)),
    ):
        (data / name).write_text(text, encoding="utf-8")
    with image.open("wb") as file:
        file.truncate(DISK_BYTES)
    _run("mkfs.ext4", "-q", "-E", "root_owner=1000:1000", "-d", str(data), str(image))
    # What was copied belongs to whoever this is; the service has its own user.
    for place in ("/", "/recordings", *(f"/{one.name}" for one in data.iterdir())):
        for key in ("uid", "gid"):
            _run("debugfs", "-w", "-R", f"set_inode_field {place} {key} 1000", str(image))


def _copy_out(image: Path, folder: Path, name: str) -> None:
    """Copy the recording out of the disk as it is, as after the next boot's own mending."""
    copy = folder / "copy.img"
    shutil.copy(image, copy)
    _run("e2fsck", "-fy", str(copy), may_fail=True)
    (folder / name).mkdir()
    _run("debugfs", "-R", f"rdump {RECORDING.removeprefix('/data')} {folder / name}", str(copy))
    told = folder / f"{name}-told.jsonl"
    _run("debugfs", "-R", f"dump /told.jsonl {told}", str(copy))
    copy.unlink()


def _run(*command: str, may_fail: bool = False) -> None:
    program = shutil.which(command[0], path="/usr/sbin:/sbin:/usr/bin:/bin") or command[0]
    subprocess.run([program, *command[1:]], capture_output=True, check=not may_fail)


def run_story(cache: Path, folder: Path, *, seed: int) -> PowerCuts:
    """Cut the power twice, then stop the service; raises MachineError.

    `cache` is kept for the next time; `folder` gets the disk and what was on it.
    """
    dice = random.Random(seed)
    build_system(cache, _system_files())
    image = folder / "disk.img"
    _make_disk(image, folder)
    came = PowerCuts(folder=folder)
    begins = datetime.now(UTC)
    # The cycles that are waited for once a recorder records, and how far into the next it goes on.
    for boot, cycles in enumerate((8, 0, None)):
        disk = LosingDisk(image, folder / "disk.socket")
        log = folder / f"boot-{boot}.log"
        machine = Machine(cache, folder / "disk.socket", log, begins=begins)
        try:
            machine.wait_for("recording", BOOT_S)
            for _ in range(_still_needed(came) if cycles is None else cycles):
                machine.wait_for("cycle", CYCLE_WAIT_S)
            if cycles is None:
                machine.tell("stop")
                machine.wait_for("off", BOOT_S)
                machine.wait_off(CYCLE_WAIT_S)
            else:
                until_s = dice.uniform(0.3, CYCLE_S * 1.5)
                for _ in range(round(until_s / 0.2)):
                    machine.wait_for("tick", CYCLE_WAIT_S)
        finally:
            machine.cut_power()
            disk.close()
        came.told.append(machine.lines)
        newest_ns = int(machine.lines[-1].split()[-1])
        begins = datetime.fromtimestamp(newest_ns // 10**9 + dice.randint(20, 200), UTC)
        came.blocks.append(disk.cut(dice))
        disk.close_image()
        _copy_out(image, folder, f"cut-{boot}" if cycles is not None else "end")
    return came


def _still_needed(came: PowerCuts) -> int:
    """Return how many cycles end all stages but the last, and some more."""
    seen = sum(
        sum(1 for at in came.times_ns(boot, "cycle") if at > came.times_ns(boot, "recording")[0])
        for boot in range(len(came.told))
    )
    return max(RUN_IN + LOADED - seen, 0) + round(SOAK_S / CYCLE_S) + 6
