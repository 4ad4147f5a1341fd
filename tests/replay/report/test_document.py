"""A report says what the commands say, runs nothing, asks for nothing, reads without its looks."""

import base64
import hashlib
import json
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from dashboard.replay.recording_view import span_table
from logger.event_kind import EventKind
from logger.findings.finding import TypedValue, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from logger.store.layout.manifest import new_manifest
from logger.store.layout.request import EventRequest
from logger.store.repair.keep_finding import keep_finding
from logger.store.repair.post_request import post_request
from logger.store.writing.bulk_writer import BulkWriter
from replay.recording import Recording
from replay.report.document import report_html
from replay.report.evidence import read_evidence
from replay.report.style import Paper
from replay.report.texts import with_minus
from replay.report.trace_figure import FigureNote, TraceFigure, draw_trace_figure
from tests.support.command import run
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS, heat_bench, record_channels
from tests.support.report_page import ReportPage, read_report

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)></style><style>*{color:red}"
CLAIMS = """serial = "A-1"
type = "JX"
claims = { backlash_arcmin = 8.0, mass_kg = 1.9, peak_torque_Nm = 24.0 }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recordings of one specimen, each with a finding."""
    made = tmp_path_factory.mktemp("recordings")
    for day, value in enumerate((10.0, 10.1)):
        recording = small_recording(
            made / f"day{day}", start_ns=START_NS + day * 86_400 * S, settings=CLAIMS
        )
        keep_finding(recording.path, play_finding(recording, value))
    return made


@pytest.fixture(scope="module")
def page(folder: Path) -> ReportPage:
    """Return the report of both."""
    return read_report(report_html(read_evidence([folder / "day0", folder / "day1"])))


def _shown_as(shown: str, values: list[float]) -> None:
    """Hold that a text shows these values, each rounded to the digits that stand there."""
    found = re.findall(r"-?\d+(?:\.\d+)?", shown.replace("\u2212", "-"))[: len(values)]
    assert len(found) == len(values), shown
    for text, value in zip(found, values, strict=True):
        digits = len(text.partition(".")[2])
        assert float(text) == pytest.approx(value, abs=0.5000001 * 10.0**-digits), shown


def test_verdicts_are_those_of_the_sheet(folder: Path, page: ReportPage):
    """Every row of `dutytrace sheet --json`: claim, value, interval, verdict, by how much."""
    done = run("sheet", "--folder", str(folder), "--json")
    (specimen,) = json.loads(done.stdout)["specimens"]
    head, *rows = page.table_with("claimed", "verdict")
    assert head[0] == "what"
    assert len(rows) == len(specimen["rows"]) == 3
    by_name = {row["quantity"].replace("_", " "): row for row in specimen["rows"]}
    for what, claimed, measured, _line, verdict, _note in rows:
        row = by_name[what.lower()]
        assert verdict.startswith(
            row["verdict"] if row["verdict"] != "falls short" else "falls short by"
        )
        assert claimed.startswith(row["claim"]["written"])
        if row["measured"] is None:
            assert measured == "–"
        else:
            kept = row["measured"]
            _shown_as(measured, [kept["value"], kept["low"], kept["high"]])
        if row["short_by"]:
            _shown_as(verdict, row["short_by"])
    assert {row["verdict"] for row in specimen["rows"]} == {"falls short", "not measured yet"}


def test_findings_are_those_of_the_command(folder: Path, page: ReportPage):
    """Every quantity of `dutytrace findings --json`, by its id, with its spans and method."""
    text = " ".join(one.text for one in page.all_of("dd"))
    tables = [table for table in page.tables if "interval by" in table[0]]
    kept = []
    for day in ("day0", "day1"):
        kept += json.loads(run("findings", str(folder / day), "--json").stdout)["findings"]
    assert len(tables) == len(kept) == 2
    for finding, (_head, *rows) in zip(kept, tables, strict=True):
        assert finding["id"] in text
        assert finding["method"]["name"] in text
        assert finding["spans"][0]["recording"] in text
        for quantity, row in zip(finding["quantities"], rows, strict=True):
            _shown_as(row[1], [quantity["value"], quantity["low"], quantity["high"]])


def test_figures_of_the_span_are_those_of_the_load_and_of_the_page(folder: Path, page: ReportPage):
    """Lowest, highest and RMS: those of `dutytrace duty --json` and of Replay's span."""
    duty = json.loads(run("duty", str(folder / "day0"), "--json").stdout)
    tables = [table for table in page.tables if "channel" in table[0]]
    assert len(tables) == 2
    name, _unit, lowest, mean, highest, rms = tables[0][1]
    assert name == "current"
    _shown_as(f"{lowest} {highest} {rms}", [duty["lowest"], duty["highest"], duty["rms"]])
    recording = Recording.open(folder / "day0")
    (row,) = span_table(recording, 0.0, (recording.end_ns - recording.start_ns) / 1e9)["table"]
    assert [lowest, mean, highest, rms] == [
        row[key] for key in ("minimum", "mean", "maximum", "rms")
    ]


def test_the_first_page_says_what_was_not_tested(page: ReportPage):
    """What holds, what does not, and what was not tested, before anything else."""
    (main,) = page.all_of("main")
    first = main.text[: main.text.index("Recording: day0")]
    assert "Of three claims a meets 0 and falls short of 1; 2 are not measured yet." in first
    assert "Claimed, and not measured yet: mass and peak torque." in first
    assert "Neither claimed nor measured: continuous torque;" in first
    assert "no limits were in force" in first
    assert "whole 95 % interval" in first


def test_nothing_runs_and_nothing_is_fetched(folder: Path):
    """The policy has this style's digest and no script; no address stands in any attribute."""
    html = report_html(read_evidence([folder / "day0"]), Paper.LETTER)
    page = read_report(html)
    (policy,) = [
        one.attributes["content"]
        for one in page.all_of("meta")
        if one.attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    (style,) = re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}';" in policy
    assert "default-src 'none'" in policy
    assert "script-src 'none'" in policy
    assert "size: letter" in style
    assert "url(" not in style
    for one in page.elements:
        assert one.tag not in {"script", "iframe", "object", "link", "img", "form", "base", "a"}
        for name, value in one.attributes.items():
            assert not name.startswith("on"), one
            assert name not in {"style", "src", "href"}, one
            assert "://" not in value, one


def test_it_reads_without_its_looks(page: ReportPage):
    """Headings go down in steps, heads of tables have a scope, figures a title and words."""
    assert not page.faults
    (html,) = page.all_of("html")
    assert html.attributes["lang"] == "en"
    levels = [int(one.tag[1]) for one in page.elements if re.fullmatch(r"h[1-4]", one.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels)), levels
    for one in page.all_of("th"):
        assert one.attributes["scope"] in {"row", "col"}
    figures = [one for one in page.all_of("svg") if one.attributes.get("role") == "img"]
    assert figures
    named = {
        one.attributes.get("id"): one.text for one in page.elements if one.attributes.get("id")
    }
    for one in figures:
        words = one.attributes.get("aria-label") or " ".join(
            named[ident] for ident in one.attributes["aria-labelledby"].split()
        )
        assert words.strip()
    drawn = [one.attributes["id"] for one in page.elements if "id" in one.attributes]
    assert len(drawn) == len(set(drawn))
    alone = [one for one in page.all_of("svg") if "role" not in one.attributes]
    assert all(
        one.attributes.get("aria-hidden") == "true" or "x" in one.attributes for one in alone
    )


def test_only_black_white_and_grey(folder: Path):
    """Nothing in it needs a colour: printed in black it says the same."""
    html = report_html(read_evidence([folder / "day0"]))
    for colour in re.findall(r"#([0-9a-fA-F]{3,6})\b", html):
        parts = [colour[at] for at in range(3)] if len(colour) == 3 else re.findall("..", colour)
        assert len(set(parts)) == 1, colour


def test_hostile_text_stays_text(tmp_path: Path):
    """In label, mounting, serial, note, method and what was typed: read as it is written."""
    quoted = json.dumps(HOSTILE)
    recording = small_recording(
        tmp_path / "day0",
        settings=f'label = "<b onclick=x>a"\nserial = {json.dumps(HOSTILE[:79])}\n'
        f"mounting = {quoted}\n",
    )
    keep_finding(
        recording.path,
        play_finding(recording).model_copy(
            update={
                "who": HOSTILE[:79],
                "typed": (TypedValue(name=HOSTILE, value=HOSTILE),),
                "settings": {HOSTILE: HOSTILE},
            }
        ),
    )
    post_request(
        recording.path,
        EventRequest(kind="note", text=HOSTILE, who=HOSTILE[:79], at_ns=recording.start_ns + S),
    )
    evidence = read_evidence([recording.path])
    assert [note.kind for note in evidence.recordings[0].notes] == [EventKind.NOTE]
    html = report_html(evidence)
    page = read_report(html)
    assert not page.faults
    assert len(page.all_of("style")) == 1
    assert not page.all_of("script")
    assert not page.all_of("img")
    assert not [one for one in page.all_of("b") if one.attributes]
    (main,) = page.all_of("main")
    assert main.text.count(HOSTILE) >= 4
    assert "<b onclick=x>a" in main.text


def _others(page: ReportPage) -> list[list[str]]:
    """Return the rows of the table of what nobody claimed."""
    (table,) = [one for one in page.tables if one[0] == ["what", "measured, 95 % interval", "note"]]
    return table[1:]


def test_the_first_page_is_of_claims(tmp_path: Path):
    """What nobody claimed stands below why and what was not tested, however much it is."""
    recording = small_recording(tmp_path / "day0", settings=CLAIMS)
    parts = (UncertaintyPart(source="readings", contribution=0.1, degrees_of_freedom=9.0),)
    for name, unit, value in (("backlash", "'", 12.0), ("odd", "s", 3.0), ("even", "s", 4.0)):
        quantities = (quantity_from_parts(name, value, unit, parts),)
        typed = tuple(TypedValue(name="tip=148 mm at +10 N", value=0.148) for _ in range(5))
        finding = play_finding(recording, kind=name, quantities=quantities, typed=typed)
        keep_finding(recording.path, finding)
    page = read_report(report_html(read_evidence([recording.path])))
    assert [row[0] for row in page.table_with("claimed", "verdict")[1:]] == [
        "Backlash",
        "Mass",
        "Peak torque",
    ]
    assert [row[0] for row in _others(page)] == [
        "Odd",
        "Even",
    ]
    (main,) = page.all_of("main")
    order = (
        "Claims and verdicts of a",
        "These recordings do not show why; from 1 finding in day0.",
        "Claimed, and not measured yet: mass and peak torque.",
        "What was tested",
        "Measured of a: backlash; odd; even.",
        "Measured, and not claimed",
        "Conditions",
    )
    places = [main.text.index(words) for words in order]
    assert places == sorted(places)
    assert main.text.count("tip=148 mm at +10 N, 5 times") == 3


def test_of_several_it_says_first_what_falls_short_and_by_how_much(tmp_path: Path):
    """With what was claimed and measured, and why as far as it is known."""
    for number in (1, 2):
        recording = small_recording(
            tmp_path / f"day{number}",
            start_ns=START_NS + number * 86_400 * S,
            settings=f'serial = "A-{number}"\nclaims = {{ backlash_arcmin = 8.0 }}\n',
        )
        keep_finding(recording.path, play_finding(recording, value=4.0 + 10.0 * (number - 1)))
    page = read_report(report_html(read_evidence([tmp_path / "day1", tmp_path / "day2"])))
    (main,) = page.all_of("main")
    assert re.search(
        r"What falls short, and whyA A-2, backlash: 14\.0 \(.*\) arcmin measured, "
        r"8\.0 arcmin claimed: falls short by 6\.0 arcmin \(.*\); these recordings do not show "
        r"why\.",
        main.text,
    )
    assert main.text.count("What falls short") == 1


def test_simulated_joints_are_said_first(tmp_path: Path):
    """Before any figure of them."""
    bench = heat_bench(["current_A"])
    path = tmp_path / "play"
    manifest = new_manifest(bench, name="play", started_ns=START_NS)
    writer = BulkWriter(path, manifest.model_copy(update={"simulated": True}), bench)
    writer.close(ended_ns=START_NS + S, cause="made")
    (main,) = read_report(report_html(read_evidence([path]))).all_of("main")
    assert main.text.index("play: simulated, not measured.") < main.text.index("What was tested")


def test_each_verdict_of_a_simulated_joint_says_so(tmp_path: Path):
    """The sentence, the row and the sheet: a page that is copied alone shows it still."""
    recording = small_recording(tmp_path / "day0", settings=CLAIMS)
    keep_finding(recording.path, play_finding(recording))
    manifest = recording.path / "recording.json"
    content = json.loads(manifest.read_text())
    manifest.write_text(json.dumps(content | {"simulated": True}))
    page = read_report(report_html(read_evidence([recording.path])))
    (main,) = page.all_of("main")
    assert "Simulated, not measured: of " in main.text
    verdicts = {row[0]: row[4] for row in page.table_with("claimed", "verdict")[1:]}
    assert verdicts["Backlash"].endswith(" simulated")
    assert verdicts["Mass"] == "not measured yet"
    assert "simulated" in run("sheet", "--folder", str(tmp_path)).stdout.partition("\n")[0]


def test_a_recorded_torque_that_is_off_is_said_first(tmp_path: Path):
    """Claims are put right; loads and traces of the recording are not, and the page says so."""
    settings = 'serial = "7"\ntorque = { from = "current", per_ampere = 1.62 }\n'
    recording = small_recording(tmp_path / "day0", settings=settings)
    parts = (UncertaintyPart(source="levels", contribution=0.002),)
    quantities = (quantity_from_parts("torque_per_ampere", 1.55, "N.m/A", parts),)
    keep_finding(recording.path, play_finding(recording, kind="torque", quantities=quantities))
    page = read_report(report_html(read_evidence([recording.path])))
    (main,) = page.all_of("main")
    # No torque has a value here: the load is drawn as the current, with no mark that is not there.
    (figure,) = page.all_of("figure")
    assert "Current" in figure.text
    assert "no frames" not in figure.text
    said = "torque was recorded as current times 1.62 N·m/A, and 1.55 was measured."
    assert main.text.index(said) < main.text.index("What was tested")
    assert "stand as they were recorded, 4.5 % too high." in main.text


def test_a_negative_number_has_a_minus_sign():
    """And a hyphen, a range or a date stays what it is."""
    assert with_minus("-0.5 (-0.6 to -0.4), W-0007, 2026-11-18, 2-3") == (
        "\u22120.5 (\u22120.6 to \u22120.4), W-0007, 2026-11-18, 2-3"
    )


def test_notes_that_stand_close_do_not_lie_over_each_other():
    """Each is a tick at least; a letter only where there is room for it."""
    notes = tuple(FigureNote(at_s=at / 10.0, letter=f"n{at}") for at in range(100))
    figure = TraceFigure(
        ident="f",
        label="a",
        start_ns=START_NS,
        length_s=600.0,
        rows=(),
        alerts=(),
        gaps=(),
        notes=notes,
    )
    drawn = read_report(draw_trace_figure(figure))
    letters = [one for one in drawn.all_of("text") if one.text.startswith("n")]
    assert 1 <= len(letters) <= 2
    assert len(drawn.all_of("line")) >= 100


def test_it_holds_for_a_recording_of_nothing(tmp_path: Path):
    """A joint without a row has no figure, no load and no verdict, and the report says so."""
    bench = heat_bench(["current_A"])
    path = tmp_path / "empty"
    writer = BulkWriter(path, new_manifest(bench, name="empty", started_ns=START_NS), bench)
    writer.close(ended_ns=START_NS, cause="made")
    page = read_report(report_html(read_evidence([path])))
    (main,) = page.all_of("main")
    assert "No value of it was recorded." in main.text
    assert "Not testedNeither claimed nor measured: peak torque;" in main.text
    assert "The load of" not in main.text
    assert not page.all_of("figure")


def test_gaps_break_the_traces(tmp_path: Path):
    """A line is not drawn over a span without frames, and the gap is listed with its length."""
    time_ns = START_NS + np.concatenate([np.arange(0, 200), np.arange(400, 600)]) * S
    recording = record_channels(tmp_path / "r", time_ns, {"current_A": np.full(400, 2.0)})
    html = report_html(read_evidence([recording.path]))
    page = read_report(html)
    (line,) = [one for one in page.all_of("path") if one.attributes.get("fill") == "none"]
    assert line.attributes["d"].count("M") == 2
    rows = page.table_with("joint", "cause")
    assert rows[1][2] == "3 min 21 s"
    assert "one gap of 3 min 21 s" in page.all_of("main")[0].text
