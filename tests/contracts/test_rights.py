"""Rights that are missing: every command ends in a sentence.

The commands run one after the other in one process, to which rights count as to anybody: root may
read and write everywhere, and gives that up.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from logger.store.tools.pack import write_tar
from replay.recording import Recording
from tests.support.command import ROOT

_LESS = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
_RUN = """
import contextlib, io, json, sys
import dutytrace
results = []
for arguments in json.loads(sys.argv[1]):
    sys.argv = ["dutytrace", *arguments]
    err = io.StringIO()
    try:
        with contextlib.redirect_stderr(err), contextlib.redirect_stdout(io.StringIO()):
            dutytrace.main()
    except SystemExit as ended:
        results.append([ended.code or 0, err.getvalue()])
    except BaseException as fault:
        results.append([repr(fault), err.getvalue()])
print(json.dumps(results))
"""


@pytest.fixture
def bound() -> list[str]:
    """Return what makes rights count for a command; skipped where nothing does."""
    if os.geteuid() != 0:
        return []
    if not shutil.which("setpriv") or subprocess.run([*_LESS, "true"], check=False).returncode:
        pytest.skip("root may write everywhere, and cannot give that up here")
    return _LESS


def _run(
    commands: list[list[str]], *, prefix: list[str], typed: str = ""
) -> list[tuple[object, str]]:
    done = subprocess.run(
        [*prefix, sys.executable, "-c", _RUN, json.dumps(commands)],
        capture_output=True,
        text=True,
        input=typed,
        check=True,
        timeout=300,
        cwd=ROOT,
    )
    return [(status, told) for status, told in json.loads(done.stdout)]


def test_places_that_may_not_be_read_or_written(
    tmp_path: Path, overheat: Recording, bound: list[str]
):
    """Status 2 and the place, for reading and for writing; nothing is left behind."""
    sound = str(overheat.path)
    packed = tmp_path / "x.dutytrace.tar"
    write_tar(overheat.path, packed)
    closed, fixed = tmp_path / "closed", tmp_path / "fixed"
    shutil.copytree(overheat.path, closed / "inner")
    shutil.copytree(overheat.path, tmp_path / "half")
    fixed.mkdir()
    (closed / "limits.toml").write_text("format = 1\n", encoding="utf-8")
    closed.chmod(0)
    fixed.chmod(0o555)
    (tmp_path / "half" / "recording.json").chmod(0)
    inner = str(closed / "inner")
    commands = [
        ["check", str(closed)],
        ["check", inner],
        ["check", str(tmp_path / "half")],
        ["seal", inner],
        ["excursions", inner],
        ["excursions", sound, "--limits", str(closed / "limits.toml")],
        ["note", inner, "text"],
        ["pack", inner, "--out", str(tmp_path / "y.tar")],
        ["pack", sound, "--out", str(fixed / "y.tar")],
        ["unpack", str(packed), "--recordings", str(fixed)],
        ["unpack", str(packed), "--recordings", str(closed / "deeper")],
        ["unpack", str(closed / "x.tar"), "--recordings", str(tmp_path)],
        ["cut", sound, "--out", str(fixed / "cut")],
        ["cut", sound, "--out", str(closed / "cut")],
        ["export", sound, "--out", str(fixed / "out.csv")],
        ["export", sound, "--out", str(closed / "out.csv")],
        ["password", str(fixed / "hash")],
        ["password", str(closed / "hash")],
        ["dashboard", "--password-file", str(closed / "hash")],
        ["limits", "curve", "A", "--html", str(fixed / "x.html")],
    ]
    try:
        told = _run(commands, prefix=bound, typed="four plain words here\n" * 2)
    finally:
        closed.chmod(0o755)
        fixed.chmod(0o755)
    for command, (status, sentence) in zip(commands, told, strict=True):
        assert status in {2, 3}, (command, status, sentence)
        assert sentence.startswith("dutytrace: "), (command, sentence)
        assert "Traceback" not in sentence, command
    writing = [one for one in zip(commands, told, strict=True) if str(fixed) in " ".join(one[0])]
    assert [(command, status) for command, (status, _) in writing if status != 2] == []
    assert list(fixed.iterdir()) == []
