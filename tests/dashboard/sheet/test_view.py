"""What the Data sheet page is answered: the figures of the command, and where they hang."""

import dataclasses
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import pytest

from dashboard.sheet.replay_links import overlay_address
from dashboard.sheet.view import sheet_view
from logger.store.repair.keep_finding import keep_finding
from replay.sheet.combining import combine_findings
from replay.sheet.sheet import make_sheet
from replay.sheet.specimens import SpecimenList, find_specimens
from replay.sheet.words import head_line, measured_text, verdict_text
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS
from tests.support.sheet_findings import sourced

CLAIMS = "[joint.claims]\nbacklash_arcmin = 12.0\nmass_kg = 0.61\n"


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> SpecimenList:
    """Give a folder with two specimens of one kind, the first measured on two days."""
    folder: Path = tmp_path_factory.mktemp("sheets")
    for day, (serial, value) in enumerate([("A-1", 10.0), ("B-2", 14.0), ("A-1", 10.1)]):
        recording = small_recording(
            folder / f"day{day}",
            start_ns=START_NS + day * 86_400 * S,
            settings=f'serial = "{serial}"\ntype = "JX"\n{CLAIMS}',
        )
        keep_finding(recording.path, play_finding(recording, value))
    return find_specimens(folder)


def test_a_sheet_as_the_page_draws_it(listed: SpecimenList):
    """Its texts are those of the command, right of the line is better, links lead to the spans."""
    content = sheet_view(listed, joint="A-1", others=(), zone=UTC)
    sheet = make_sheet(listed.specimen_named("A-1"))
    assert content["copy"] == "Of two claims a meets 1 and falls short of 0; 1 is not measured yet."
    assert "of 2 claims 1 met, 1 not measured yet" in head_line(sheet)
    assert content["about"].startswith("serial A-1, of the kind JX; 2 findings from 2 recordings, ")
    backlash, mass = content["rows"]
    shown = f"{backlash['value']} ({backlash['interval']}) {backlash['unit']}"
    assert shown == measured_text(sheet.rows[0])
    assert (backlash["mark"], backlash["verdict"]) == ("normal", "meets it")
    bar = backlash["bar"]
    assert 5.0 < bar["low"] < bar["value"] < bar["high"] < 25.0
    assert [one["text"] for one in backlash["sources"]] == ["day2", "day0"]
    assert backlash["sources"][0]["href"] == "/replay/day2?span0=2.000&span1=8.000"
    assert [point[0] for point in backlash["trend"]["points"]] == [0.0, 1.0]
    assert (mass["mark"], mass["bar"], mass["value"]) == ("none", None, "")
    assert "`dutytrace measure value REC`" in mass["why"]


def test_what_falls_short_hangs_left(listed: SpecimenList):
    """By how much stands beside the word, as the command says it."""
    content = sheet_view(listed, joint="B-2", others=(), zone=UTC)
    row = content["rows"][0]
    said = verdict_text(make_sheet(listed.specimen_named("B-2")).rows[0])
    assert row["mark"] == "abnormal"
    assert f"{row['verdict']} arcmin ({row['by']})" == said
    assert row["bar"]["high"] < 0.0


def test_another_beside_it(listed: SpecimenList):
    """The second less the first; of no such joint nothing."""
    content = sheet_view(listed, joint="A-1", others=["B-2"], zone=UTC)
    assert content["compared"]["names"] == ["a A-1", "a B-2"]
    (quantity,) = content["compared"]["quantities"]
    (row,) = quantity["rows"]
    assert row["names"] == ["a A-1", "a B-2"]
    assert row["difference"].startswith("+")
    assert row["bar"]["value"] == pytest.approx(100 * (14.0 - 10.05) / 10.05, rel=1e-3)
    assert row["more"]
    assert sheet_view(listed, joint="A-1", others=["A-1"], zone=UTC)["compared"] is None
    assert sheet_view(listed, joint="?", others=["?"], zone=UTC)["chosen"] == "A-1"


def test_six_beside_each_other(listed: SpecimenList):
    """All on one scale, each pair a question of all at once; no more than six, each once."""
    first, second = (listed.specimen_named(key) for key in ("A-1", "B-2"))
    more = tuple(dataclasses.replace(second, key=f"C-{at}", serial=f"C-{at}") for at in range(6))
    many = dataclasses.replace(listed, specimens=(first, *more))
    others = ["C-0", "C-0", "A-1", "nobody", *(one.key for one in more)]
    content = sheet_view(many, joint="A-1", others=others, zone=UTC)
    assert content["others"] == ["C-0", "C-1", "C-2", "C-3", "C-4"]
    (quantity,) = content["compared"]["quantities"]
    rows = quantity["rows"]
    assert len(rows) == len({tuple(one["names"]) for one in rows}) == 15
    assert content["compared"]["questions"] == 15
    assert sum(row["more"] for row in rows) == 5
    # All on one scale, each with the digits of its interval, and the five that stand out named.
    joints = quantity["joints"]
    assert [one["name"] for one in joints] == content["compared"]["names"]
    assert all(0.0 < one["low"] < one["at"] < one["high"] < 1.0 for one in joints)
    assert joints[0]["at"] < min(one["at"] for one in joints[1:])
    assert [tick["text"] for tick in quantity["ticks"]] == ["10", "12", "14"]
    assert [one["above"] for one in quantity["apart"]] == [["a A-1"]] * 5
    assert 0.0 < float(quantity["needed"]) < 4.0
    # Where it is claimed, on the same scale; far from all of them, in words alone.
    claim = first.claims[0]
    for factor, is_near in ((1.0, True), (40.0, False)):
        claims = (dataclasses.replace(claim, value=factor * claim.value),)
        claimed = dataclasses.replace(
            many, specimens=tuple(dataclasses.replace(one, claims=claims) for one in many.specimens)
        )
        content = sheet_view(claimed, joint="A-1", others=others, zone=UTC)
        (scaled,) = content["compared"]["quantities"]
        for one in scaled["joints"]:
            assert one["claimed"] == "12.0 arcmin"
            assert (one["claim"] is not None) == is_near
            assert one["claim"] is None or 0.0 < one["claim"] < 1.0


def test_a_folder_without_joints():
    """Nothing to show is an answer as well."""
    empty = SpecimenList(specimens=(), notes=())
    content = sheet_view(empty, joint="", others=(), zone=UTC)
    assert (content["specimens"], content["rows"], content["table"]) == ([], [], None)


def test_traces_of_two_lie_over_each_other(listed: SpecimenList):
    """The link opens the first one's span with the second's laid upon it, joint on joint."""
    content = sheet_view(listed, joint="A-1", others=["B-2"], zone=UTC)
    (quantity,) = content["compared"]["quantities"]
    (row,) = quantity["rows"]
    address = urlsplit(row["traces"])
    query = dict(parse_qsl(address.query))
    assert address.path == "/replay/day2"
    assert (query["over"], query["over_joints"]) == ("day1", "a:a")
    assert (query["span0"], query["span1"]) == ("2.000", "8.000")
    # Both spans begin 2 s after the start of their recordings.
    assert float(query["shift"]) == 0.0
    assert (float(query["from"]), float(query["to"])) == pytest.approx((1.4, 8.6))


def test_spans_that_begin_elsewhere_are_moved_together():
    """By how much later the second has to lie; a recording that is gone has no traces."""

    def measured(begin_s: int, *, is_gone: bool = False):
        found = sourced(10.0)
        span = found.finding.spans[0].model_copy(
            update={
                "from_ns": found.started_ns + begin_s * S,
                "to_ns": found.started_ns + (begin_s + 20) * S,
            }
        )
        kept = found.finding.model_copy(update={"spans": (span,)})
        return combine_findings([replace(found, finding=kept, is_gone=is_gone)])

    query = dict(parse_qsl(urlsplit(overlay_address(measured(100), measured(40))).query))
    assert float(query["shift"]) == 60.0
    assert (query["from"], query["to"]) == ("98.000", "122.000")
    assert overlay_address(measured(100), measured(40, is_gone=True)) == ""
