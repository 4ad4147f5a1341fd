"""`dutytrace report` writes one file, refuses what it cannot do in one sentence, and prints it."""

import json
import os
import re
import subprocess
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.store.repair.keep_finding import keep_finding
from replay.report import pdf
from replay.report.cli import write_report
from replay.report.digest import DIGEST_COMMAND, digest_recording
from replay.report.evidence import read_evidence
from tests.support.command import assert_refused, run
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS


def test_it_writes_one_file(tmp_path: Path):
    """Named after the recording where no name is given; there already, it is refused."""
    small_recording(tmp_path / "day0")
    done = run("report", "day0", "--json", cwd=tmp_path)
    answer = json.loads(done.stdout)
    assert answer["format"] == 1
    assert answer["file"] == "day0-report.html"
    assert answer["pdf"] is None
    assert answer["size"] == (tmp_path / "day0-report.html").stat().st_size < 6e6
    assert_refused(run("report", "day0", cwd=tmp_path), "day0-report.html", "--force")
    assert_refused(run("report", "day0", "--to", "a.txt", cwd=tmp_path), "--to", "ends in .html")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"paper": "b5"}, "expected a4 or letter"),
        ({"out": Path("nowhere") / "a.html"}, "there is no such folder"),
        ({"joint": ["elbow"]}, "found 'elbow', expected a serial or joint of these: a"),
        ({"recordings": ["day0", "day0"]}, "expected each recording once"),
    ],
)
def test_what_cannot_be_done_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: dict, words: str
):
    """With what was found and expected; nothing is written."""
    small_recording(tmp_path / "day0")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=words):
        write_report(**{"recordings": ["day0"], "out": Path("a.html"), **more})
    assert [one.name for one in tmp_path.iterdir()] == ["day0"]


def test_one_joint_of_several_recordings(tmp_path: Path):
    """By its serial, name or label: of the others nothing is said."""
    for day, serial in enumerate(("A-1", "B-2")):
        small_recording(
            tmp_path / f"day{day}",
            start_ns=START_NS + day * S * 100,
            settings=f'serial = "{serial}"\n',
        )
    both = read_evidence([tmp_path / "day0", tmp_path / "day1"])
    assert [len(one.joints) for one in both.recordings] == [1, 1]
    one = read_evidence([tmp_path / "day1", tmp_path / "day0"], ["B-2"])
    assert [one.folder for one in one.recordings] == ["day0", "day1"]
    assert [len(one.joints) for one in one.recordings] == [0, 1]
    assert [sheet.specimen.key for sheet in one.sheets] == ["B-2"]


def test_the_digest_is_that_of_standard_tools(tmp_path: Path):
    """As the report says: `find`, `sort` and `sha256sum` print the same; a note changes nothing."""
    recording = small_recording(tmp_path / "day0")
    digest = digest_recording(recording.path)
    assert digest.files
    done = subprocess.run(
        ["sh", "-c", DIGEST_COMMAND], cwd=recording.path, capture_output=True, text=True, check=True
    )
    assert done.stdout.split()[0] == digest.sha256
    keep_finding(recording.path, play_finding(recording))
    assert digest_recording(recording.path) == digest
    part = next((recording.path / "status").rglob("part-*"))
    part.write_bytes(part.read_bytes()[:-1] + b"x")
    assert digest_recording(recording.path).sha256 != digest.sha256


def test_without_a_browser_the_report_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """`--pdf` says in one sentence what is missing; the HTML file is written all the same."""
    small_recording(tmp_path / "day0")
    monkeypatch.setattr(pdf, "find_browser", lambda: None)
    with pytest.raises(InputError, match=r"no Chromium or Chrome .* a.html is written"):
        write_report([str(tmp_path / "day0")], out=tmp_path / "a.html", pdf=True)
    assert (tmp_path / "a.html").is_file()
    assert not (tmp_path / "a.pdf").exists()


def test_a_browser_that_fails_is_an_outside_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """It ends with status 1, or prints nothing and says that all is well: both are told."""
    for status in (1, 0):
        browser = tmp_path / f"browser{status}"
        browser.write_text(f"#!/bin/sh\nexit {status}\n")
        browser.chmod(0o755)
        monkeypatch.setattr(pdf, "find_browser", lambda browser=browser: str(browser))
        (tmp_path / "a.html").write_text("x")
        with pytest.raises(OutsideFault, match=f"exit status {status}"):
            pdf.print_to_pdf(tmp_path / "a.html", tmp_path / "a.pdf")
    assert not (tmp_path / "a.pdf").exists()


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_is_printed(tmp_path: Path, paper: str):
    """A PDF of the paper's size, in points, with a page or more."""
    if pdf.find_browser() is None and not os.environ.get("CI"):
        pytest.skip("no browser is installed that prints")
    small_recording(tmp_path / "day0")
    write_report([str(tmp_path / "day0")], out=tmp_path / "a.html", pdf=True, paper=paper)
    made = (tmp_path / "a.pdf").read_bytes()
    assert made.startswith(b"%PDF")
    width, height = {"a4": (595, 842), "letter": (612, 792)}[paper]
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", made)
    assert boxes
    for found_width, found_height in boxes:
        assert abs(float(found_width) - width) < 1.5
        assert abs(float(found_height) - height) < 1.5
