"""A virtual machine with a stock Debian kernel, systemd and a vcan, whose power can be cut.

qemu in software emulation, whose clock counts the instructions that it has executed: to itself the
machine is one of 500 million instructions a second, however busy this system is. Its root is the
root of this system, read-only under a layer in memory, so that this Python and this project run
there as they are; /data is a disk of its own. systemd starts the service of the guide word for
word: what that names in /opt/dutytrace leads here.
"""

import ctypes
import lzma
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Final

__all__ = ["Machine", "MachineError", "build_system", "missing_tools"]

ROOT: Final = Path(__file__).parents[3]
_TOOLS: Final = ("qemu-system-x86_64", "mkfs.ext4", "e2fsck", "debugfs", "apt-get", "dpkg-deb")
_MODULES: Final = (
    *("virtio_pci", "virtio_blk", "ext4", "9pnet_virtio", "9p", "overlay", "can", "can_raw"),
    *("vcan", "autofs4"),
)
_PR_SET_PDEATHSIG: Final = 1
_INIT: Final = """#!/bin/busybox sh
B=/bin/busybox
$B mount -t proc proc /proc; $B mount -t sysfs sys /sys; $B mount -t devtmpfs dev /dev
for m in $($B cat /modules/order); do $B insmod /modules/$m.ko || echo "$m: not loaded"; done
$B mkdir -p /host /layer /r
$B mount -t 9p -o ro,cache=loose,trans=virtio,version=9p2000.L,msize=512000 root /host
$B mount -t tmpfs layer /layer; $B mkdir -p /layer/upper /layer/work
$B mount -t overlay -o lowerdir=/host,upperdir=/layer/upper,workdir=/layer/work overlay /r
$B rm -rf /r/etc/systemd/system /r/etc/fstab /r/.dockerenv /r/run/systemd
$B mkdir -p /r/data /r/opt/python
$B cp -a /guest/. /r/
echo "bench:x:1000:1000::/:/bin/sh" >> /r/etc/passwd
echo "bench:x:1000:" >> /r/etc/group
$B mount --bind "/host@PYTHON@" /r/opt/python
for d in /r/usr/lib /r/usr/lib/*-linux-gnu; do for l in /r/opt/python/lib/libpython*; do
  $B ln -sf "/opt/python/lib/${l##*/}" $d/
done; done
$B mount -t ext4 /dev/vda /r/data || echo "no disk"
$B ip link set lo up
$B ip link add dev vcan0 type vcan; $B ip link set vcan0 up
for d in proc sys dev; do $B mkdir -p /r/$d; $B mount --move /$d /r/$d; done
exec $B switch_root /r /lib/systemd/systemd
"""


class MachineError(Exception):
    """The machine did not do what was waited for."""


def missing_tools() -> list[str]:
    """Return what this system lacks for it."""
    paths = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/sbin"))
    missing = [name for name in _TOOLS if shutil.which(name, path=paths) is None]
    if not Path("/lib/systemd/systemd").exists():
        missing.append("systemd")
    return missing


def build_system(cache: Path, files: Mapping[str, str | Path]) -> None:
    """Have kernel and first file system in a folder; `files` are put into the machine's root.

    By their paths there: a text, or where a link leads. The kernel is fetched once, by apt-get.
    """
    packages = cache / "packages"
    if not (cache / "kernel").exists():
        packages.mkdir(parents=True, exist_ok=True)
        _fetch(packages)
        _unpack_kernel(packages, cache)
    system = cache / "system"
    shutil.rmtree(system, ignore_errors=True)
    for folder in ("bin", "dev", "proc", "sys"):
        (system / folder).mkdir(parents=True)
    shutil.copy(packages / "bin" / "busybox", system / "bin" / "busybox")
    shutil.copytree(cache / "modules", system / "modules")
    init = system / "init"
    init.write_text(_INIT.replace("@PYTHON@", sys.base_prefix), encoding="utf-8")
    init.chmod(0o755)
    for place, content in files.items():
        path = system / "guest" / place.lstrip("/")
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, Path):
            path.symlink_to(content)
        else:
            path.write_text(content, encoding="utf-8")
            path.chmod(0o755 if content.startswith("#!") else 0o644)
    subprocess.run(
        f"find . | {packages}/bin/busybox cpio -o -H newc 2>/dev/null | gzip -1 > {cache}/initrd",
        shell=True,
        cwd=system,
        check=True,
    )


def _fetch(packages: Path) -> None:
    shown = subprocess.run(
        ["apt-cache", "depends", "linux-image-amd64"], capture_output=True, text=True, check=True
    )
    found = re.search(r"Depends: (linux-image-\S+)", shown.stdout)
    if found is None:
        raise MachineError("apt-cache knows no linux-image-amd64: is this Debian, and updated?")
    names = [found[1], "busybox-static"]
    subprocess.run(["apt-get", "download", "-qq", *names], cwd=packages, check=True)


def _unpack_kernel(packages: Path, cache: Path) -> None:
    for name in ("linux-image-*.deb", "busybox-static_*.deb"):
        subprocess.run(["dpkg-deb", "-x", next(packages.glob(name)), packages], check=True)
    # Unpacked here: the emulated processor would take half of the boot for it.
    image = next((packages / "boot").glob("vmlinuz-*")).read_bytes()
    modules = {
        path.stem.replace("-", "_"): path for path in (packages / "lib" / "modules").rglob("*.ko")
    }
    (cache / "modules").mkdir(exist_ok=True)
    order: list[str] = []

    def need(name: str) -> None:
        # One that is not there is built in.
        if name in order or name not in modules:
            return
        stated = re.search(rb"\0depends=([^\0]*)\0", modules[name].read_bytes())
        for one in (stated[1].decode() if stated else "").split(","):
            need(one.replace("-", "_"))
        order.append(name)
        shutil.copy(modules[name], cache / "modules" / f"{name}.ko")

    # What another asks for by name while it runs.
    for name in (*_MODULES, "crc32c_generic", "crc32c_intel"):
        need(name)
    (cache / "modules" / "order").write_text("\n".join(order), encoding="ascii")
    unpacked = lzma.LZMADecompressor(lzma.FORMAT_XZ).decompress(image[image.index(b"\xfd7zXZ\0") :])
    (cache / "kernel").write_bytes(unpacked)


def _end_with_this() -> None:
    """Have the kernel end the machine with the thread that started it."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


class Machine:
    """One run of it, from the moment that its power is switched on."""

    def __init__(self, cache: Path, disk: Path, log: Path, *, begins: datetime) -> None:
        """`disk`: the socket at which its disk is served; `begins`: what its clock has then."""
        self.lines: list[str] = []
        """What the machine has told."""
        self._told: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._kept = log.with_suffix(".told")
        self._process = subprocess.Popen(
            [
                *("qemu-system-x86_64", "-M", "pc,hpet=off,usb=off", "-no-reboot"),
                *("-accel", "tcg,thread=single", "-icount", "shift=1,sleep=on", "-cpu", "max"),
                *("-m", "1536", "-nodefaults", "-no-user-config", "-display", "none"),
                *("-rtc", f"base={begins:%Y-%m-%dT%H:%M:%S},clock=vm"),
                *("-kernel", str(cache / "kernel"), "-initrd", str(cache / "initrd")),
                "-append",
                "console=ttyS0 quiet loglevel=4 panic=-1 rdinit=/init mitigations=off "
                "nokaslr random.trust_cpu=on systemd.journald.forward_to_console=1",
                *("-serial", f"file:{log}"),
                *("-chardev", "stdio,id=told,signal=off", "-serial", "chardev:told"),
                "-fsdev",
                "local,id=root,path=/,security_model=none,readonly=on,multidevs=remap",
                *("-device", "virtio-9p-pci,fsdev=root,mount_tag=root"),
                "-drive",
                f"file=nbd+unix:///?socket={disk},format=raw,if=virtio,cache=writeback",
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            # Nothing is imported in it, and no lock of this process taken.
            preexec_fn=_end_with_this,  # noqa: PLW1509
        )
        threading.Thread(target=self._read, name="machine", daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._kept.open("w", encoding="utf-8") as kept:
            for line in self._process.stdout:
                self._told.put(line.strip())
                kept.write(line)
                kept.flush()
        self._told.put(None)

    def wait_for(self, beginning: str, within_s: float) -> str:
        """Return the next line that begins so; raises MachineError."""
        until_s = time.monotonic() + within_s
        while True:
            try:
                line = self._told.get(timeout=max(0.0, until_s - time.monotonic()))
            except queue.Empty:
                newest = self.lines[-1] if self.lines else "nothing"
                raise MachineError(
                    f"no {beginning!r} within {within_s:.0f} s; the machine last told {newest}"
                ) from None
            if line is None:
                raise MachineError(f"it ended before it told {beginning!r}")
            self.lines.append(line)
            if line.startswith(beginning):
                return line

    def tell(self, text: str) -> None:
        """Type a line at its terminal."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{text}\n")

    def cut_power(self) -> None:
        """End it between two instructions, wherever it is."""
        self._process.kill()
        self._process.wait(60)
        while (line := self._told.get(timeout=60)) is not None:
            self.lines.append(line)

    def wait_off(self, within_s: float) -> None:
        """Wait until it has switched itself off."""
        try:
            self._process.wait(within_s)
        finally:
            self._process.kill()
