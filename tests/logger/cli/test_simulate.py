"""`dutytrace simulate`: numbers beyond all bounds, folders and disks that take nothing."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.command import ROOT, assert_refused, run


@pytest.mark.parametrize(
    "arguments",
    [
        ("simulate", "--hours", "1e300"),
        ("simulate", "--hours", "-1e300"),
        ("simulate", "--hours", "nan"),
        ("simulate", "--hours", "1000000"),
        ("simulate", "--hours", "0.01", "--rate", "inf"),
    ],
)
def test_numbers_beyond_all_bounds(tmp_path: Path, arguments: tuple[str, ...]):
    """One sentence, exit status 2, nothing made."""
    ended = run(*arguments, "--out", str(tmp_path / "rec"), cwd=tmp_path)
    assert ended.returncode == 2, ended.stderr
    assert ended.stdout == ""
    assert len(ended.stderr.splitlines()) == 1
    assert ended.stderr.startswith("dutytrace: ")
    assert not (tmp_path / "rec").exists()


def test_a_folder_that_cannot_be_written(tmp_path: Path):
    """A recordings folder below a regular file: said, and nothing half-written."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = run("simulate", "--hours", "0.01", "--out", str(tmp_path / "file" / "rec"))
    assert_refused(done, "cannot be made")
    done = run("simulate", "--hours", "0.01", "--out", str(tmp_path))
    assert_refused(done, "already exists")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_full_disk_ends_with_status_3(tmp_path: Path):
    """What can be made again leaves nothing behind; room to write is a limit on file size."""
    path = tmp_path / "rec"
    script = (
        "import resource, sys, dutytrace\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, 500_000))\n"
        f"sys.argv = ['dutytrace', 'simulate', '--hours', '0.5', '--out', {str(path)!r}]\n"
        "dutytrace.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True, text=True, check=False, timeout=120,
        cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "nothing was left behind" in done.stderr
    assert list(tmp_path.iterdir()) == []
