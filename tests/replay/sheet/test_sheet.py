"""A sheet: each claim with what was measured under its conditions, or why there is no verdict."""

from dataclasses import replace

import pytest

from replay.sheet.answer import csv_rows, sheet_answer
from replay.sheet.comparison import compare_specimens
from replay.sheet.conditions import ConditionFault
from replay.sheet.sheet import make_sheet, measured_of
from replay.sheet.specimens import Note, NoteKind, SpecimenList
from replay.sheet.verdict import Verdict
from replay.sheet.words import difference_rows, head_line, sheet_note_lines, sheet_rows
from tests.support.sheet_findings import sourced
from tests.support.specimens import specimen_of


def _torque(value: float, number: int = 0, **conditions):
    return sourced(
        value,
        name="continuous_torque",
        unit="N.m",
        freedom=None,
        number=number,
        conditions=conditions,
    )


def test_rows_come_in_the_order_of_the_claims():
    """Then what else was found; what was not measured says what to do."""
    sheet = make_sheet(
        specimen_of(
            "mass_kg = 0.61\nbacklash_arcmin = 12.0",
            [sourced(10.0), sourced(3.0, name="housing_time", unit="s"), sourced(2.0, name="odd")],
        )
    )
    assert [(row.name, row.verdict) for row in sheet.rows] == [
        ("mass", Verdict.NOT_MEASURED),
        ("backlash", Verdict.CONFIRMED),
        ("housing_time", Verdict.NOT_CLAIMED),
        ("odd", Verdict.NOT_CLAIMED),
    ]
    assert "dutytrace measure value" in sheet.rows[0].to_do
    assert (
        head_line(sheet)
        == "a, serial A-1: 1 recording, 2.0 h; of 2 claims 1 met, 1 not measured yet"
    )
    (mass, backlash, *_) = sheet_rows(sheet)
    assert mass[:4] == ("mass", "0.61 kg", "", "not measured yet")
    assert backlash[:4] == ("backlash", "12.0 arcmin", "10.0 (9.7 to 10.3) arcmin", "meets it")


def test_the_ambient_of_the_claim_is_chosen():
    """Of a table over ambients the row that the claim means; turning, unless it says holding."""
    found = [
        _torque(value, number, ambient_degC=ambient, holding=holding)
        for number, (value, ambient, holding) in enumerate(
            [(10.0, 25.0, False), (8.0, 40.0, False), (7.0, 25.0, True), (5.6, 40.0, True)]
        )
    ]
    (row,) = make_sheet(
        specimen_of("continuous_torque_Nm = { value = 9.0, ambient_degC = 25 }", found)
    ).rows
    assert (row.measured.value, row.verdict) == (10.0, Verdict.CONFIRMED)
    (row,) = make_sheet(
        specimen_of(
            "continuous_torque_Nm = { value = 6.0, ambient_degC = 40, holding = true }", found
        )
    ).rows
    assert (row.measured.value, row.verdict) == (5.6, Verdict.FALLS_SHORT)
    (bare,) = make_sheet(specimen_of("", found)).rows
    assert (bare.measured.value, bare.verdict) == (10.0, Verdict.NOT_CLAIMED)


def test_unlike_conditions_are_no_verdict():
    """Another ambient, one that is not stated, several of which the claim means none."""
    hot = [_torque(5.0, ambient_degC=60.0, holding=False)]
    (row,) = make_sheet(
        specimen_of("continuous_torque_Nm = { value = 9.0, ambient_degC = 25 }", hot)
    ).rows
    assert row.verdict is Verdict.NOT_COMPARABLE
    assert [(one.fault, one.key) for one in row.mismatches] == [
        (ConditionFault.UNLIKE, "ambient_degC")
    ]
    (texts,) = sheet_rows(
        make_sheet(specimen_of("continuous_torque_Nm = { value = 9.0, ambient_degC = 25 }", hot))
    )
    assert texts[4] == "claimed for ambient 25 °C, measured for ambient 60 °C"
    (row,) = make_sheet(
        specimen_of('backlash_arcmin = { value = 9.0, mounting = "plate" }', [sourced(5.0)])
    ).rows
    assert [one.fault for one in row.mismatches] == [ConditionFault.NOT_MEASURED]
    both = [*hot, _torque(9.5, 1, ambient_degC=25.0, holding=False)]
    (row,) = make_sheet(specimen_of("continuous_torque_Nm = 9.0", both)).rows
    assert [(one.fault, one.key) for one in row.mismatches] == [
        (ConditionFault.NOT_CLAIMED, "ambient_degC")
    ]
    assert row.decision is None


def test_a_finding_in_another_unit_is_not_compared():
    """Radians against arcminutes: said, never mixed."""
    (row,) = make_sheet(specimen_of("backlash_arcmin = 10.0", [sourced(0.003, unit="rad")])).rows
    assert (row.verdict, row.mismatches[0].key) == (Verdict.NOT_COMPARABLE, "unit")


def test_the_same_rows_evaluated_twice_count_once():
    """The newest evaluation of a span; other spans add to it."""
    first, again, other = (sourced(v, number=n) for n, v in enumerate((10.0, 9.0, 9.1)))
    again = replace(again, finding=again.finding.model_copy(update={"spans": first.finding.spans}))
    (row,) = make_sheet(specimen_of("", [first, again, other])).rows
    assert [one.quantity.value for one in row.measured.findings] == [9.0, 9.1]


def test_a_quantity_that_changes_is_its_newest_finding():
    """A seen trend: the newest counts, the slope stands beside it; else the mean of all."""
    worn = [sourced(8.0 + h / 50.0, hours=h, own=0.05) for h in (0.0, 50.0, 100.0, 150.0, 200.0)]
    sheet = make_sheet(specimen_of("backlash_arcmin = 11.0", worn))
    (row,) = sheet.rows
    assert (row.measured.value, row.is_newest_only) == (12.0, True)
    assert row.trend.per_100_h == pytest.approx(2.0)
    assert row.verdict is Verdict.FALLS_SHORT
    (texts,) = sheet_rows(sheet)
    assert "it changes: the newest finding counts" in texts[4]
    assert texts[6].startswith("+2.00 arcmin in 100 h")
    steady = [sourced(8.0 + 0.05 * (-1) ** n, hours=50.0 * n, number=n) for n in range(5)]
    (row,) = make_sheet(specimen_of("", steady)).rows
    assert (row.is_newest_only, len(row.measured.findings)) == (False, 5)
    (texts,) = sheet_rows(make_sheet(specimen_of("", steady)))
    assert texts[6].startswith("no drift seen; less than ")


@pytest.mark.parametrize(
    ("held_by", "words"),
    [
        ("supply", "the supply sagged"),
        (
            "current/torque",
            "the drive gave no more current or the drive gave no more torque",
        ),
    ],
)
def test_why_it_falls_short(held_by, words):
    """What held it, as the finding says; by how much, with its interval, in the claim's unit."""
    found = sourced(
        21.4,
        own=0.2,
        name="peak_torque",
        unit="N.m",
        freedom=None,
        conditions={"held_by": held_by},
    )
    sheet = make_sheet(specimen_of("peak_torque_mNm = 24000.0", [found]))
    (texts,) = sheet_rows(sheet)
    assert texts[0] == "peak torque"
    assert texts[3].startswith("falls short by 2600 mN·m (")
    assert texts[4] == words
    (ratio,) = sheet_rows(
        make_sheet(specimen_of("gear_ratio = 9.0", [sourced(9.5, name="gear_ratio", unit="1")]))
    )
    assert ratio[3].startswith("differs by 0.5")


def test_hostile_words_stay_words():
    """A serial that would be a formula in a spreadsheet is none."""
    specimen = specimen_of(
        "", [sourced(10.0)], key="=cmd()", serial="=cmd()", type="+1", label="@x"
    )
    head, row = csv_rows([make_sheet(specimen)])
    assert len(head) == len(row)
    assert row[:4] == ("'=cmd()", "a", "'=cmd()", "'+1")
    assert row[head.index("measured")] == "10.0"


def test_two_specimens_in_words_and_as_an_answer():
    """The same figures in both, pair by pair."""
    first = specimen_of("", [sourced(10.0, arm=1.0), sourced(1.0, name="mass", unit="kg")])
    second = specimen_of("", [sourced(8.0, arm=1.0, number=1)], key="B-2", serial="B-2")
    comparison = compare_specimens({one.key: measured_of(one) for one in (first, second)})
    sheets = [make_sheet(first), make_sheet(second)]
    listed = SpecimenList(
        specimens=(first, second),
        notes=(Note(kind=NoteKind.TWO_SERIALS, subject="a", detail="A-1, B-2"),),
    )
    (row,) = difference_rows(comparison, {"A-1": "A-1", "B-2": "B-2"})
    assert row[:2] == ("A-1 less B-2", "backlash")
    assert row[3].startswith("more than chance")
    assert row[4] == "arm cancels"
    answer = sheet_answer(listed, sheets, comparison)
    assert answer["comparison"]["questions"] == 1
    assert answer["comparison"]["differences"][0]["value"] == 2.0
    assert [one["specimen"] for one in answer["specimens"]] == ["A-1", "B-2"]
    assert [*sheet_note_lines(listed)] == [
        "a is the name of several specimens: A-1, B-2. Each has a sheet of its own."
    ]
