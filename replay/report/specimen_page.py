"""The page of one specimen: claimed, measured, the verdict, and what was not tested.

It is the page for who was not at the bench: each row says what holds, by how much it does not, or
that it is open, and the numbered notes say why and from what. Pure.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from logger.findings.finding import TypedValue
from logger.joint.bench.joint_settings import CURRENT_CONVENTIONS
from logger.joint.data_sheet import SHEET_QUANTITIES
from replay.heat.sentence import words_part
from replay.heat.text import band_values
from replay.report.blocks import answer, bullets, definitions, heading, table, verdict_mark
from replay.report.evidence import JointEvidence, ReportEvidence
from replay.report.markup import NOTHING, Markup, element, joined, with_code
from replay.report.plumb_line import draw_plumb_line
from replay.report.texts import counted, figure_text, list_text, with_minus
from replay.sheet.sentence import sheet_sentence
from replay.sheet.sheet import Sheet, SheetRow
from replay.sheet.verdict import Verdict
from replay.sheet.words import (
    claim_text,
    conditions_text,
    measured_text,
    reason_text,
    row_unit,
    shown_values,
    trend_text,
    unit_words,
    verdict_text,
)

__all__ = [
    "DECISION_RULE",
    "shortfall_lines",
    "specimen_answer",
    "specimen_section",
    "typed_text",
    "untested_lines",
    "verdict_cell",
    "who_text",
]

_MOST_NAMES: Final = 4
_MOST_TYPED: Final = 8

_OPEN: Final = {
    Verdict.NOT_MEASURED: "Claimed, and not measured yet",
    Verdict.NOT_COMPARABLE: "Measured, and not comparable with the claim",
}
DECISION_RULE: Final = (
    "After ISO 14253-1: a claim is met where the whole 95 % interval of the value lies within it "
    "(what rounds to the claim still does), missed where the whole of it lies outside; all else is "
    "not proven either way."
)
_RULE: Final = (
    f"{DECISION_RULE} The thick line is the claim, the thin ones stand 10 % from it; right of it "
    "is better, for backlash and mass too."
)


def who_text(sheet: Sheet) -> str:
    """Return who a specimen is: its serial or that there is none, and its type."""
    one = sheet.specimen
    serial = f"serial {one.serial}" if one.serial else "by name, no serial given"
    return f"{serial}, type {one.type}" if one.type else serial


def specimen_answer(sheet: Sheet, *, name: str = "") -> Markup:
    """Return the one sentence about a specimen; `name`: where its label is not enough."""
    if not any(row.claim for row in sheet.rows):
        return element(
            "p",
            f"Nothing is claimed of {sheet.specimen.label}, so nothing is judged. ",
            "What was measured stands below."
            if sheet.rows
            else "No finding of it was kept; what was recorded stands below.",
            class_="answer",
        )
    named = [words_part(f"{name}: ")] if name not in {"", sheet.specimen.label} else []
    return answer([*named, *sheet_sentence(sheet)])


def specimen_section(
    evidence: ReportEvidence, sheet: Sheet, between: Markup = NOTHING, *, level: int = 3
) -> Markup:
    """Return claims with verdicts and why, what was not tested; then what else, and conditions.

    `between`: what stands beside why and what was not tested. `level`: of its headings.
    """
    joints = [
        joint
        for recording in evidence.recordings
        for joint in recording.joints
        if not joint.is_sensor
        and (joint.settings.serial or joint.settings.name) == sheet.specimen.key
    ]
    conditions = joined(
        heading("Conditions", level=level),
        definitions(_condition_pairs(evidence, sheet, joints)),
    )
    if not sheet.rows:
        return conditions
    claimed = [row for row in sheet.rows if row.claim is not None]
    others = [row for row in sheet.rows if row.claim is None]
    untested = joined(heading("Not tested", level=level), bullets(untested_lines(sheet)))
    return joined(
        _verdict_table(sheet, claimed) if claimed else "",
        _judged_pair(claimed, untested, between, level=level) if claimed else "",
        _others_table(others, sheet, level=level),
        "" if claimed else untested,
        conditions,
        element("div", element("span", "measured by"), element("span", "date"), class_="sign")
        if claimed
        else "",
    )


def _judged_pair(
    claimed: Sequence[SheetRow], untested: Markup, tested: Markup, *, level: int
) -> Markup:
    """Return why each claim stands as it does and what was not tested, beside what was."""
    return element(
        "div",
        element(
            "div",
            heading("Why, and from what", level=level),
            bullets((_note(row) for row in claimed), numbered=True),
            untested,
        ),
        element("div", tested, heading("How it was judged", level=level), element("p", _RULE)),
        class_="pair",
    )


def _verdict_table(sheet: Sheet, claimed: Sequence[SheetRow]) -> Markup:
    scale = element(
        "span",
        element("span", "worse"),
        element("span", "claim"),
        element("span", "better"),
        class_="scale",
    )
    heads = [
        element("th", "what", scope="col", class_="what"),
        element("th", "claimed", scope="col", class_="n"),
        element("th", "measured, 95 % interval", scope="col", class_="measured"),
        element("th", scale, scope="col", class_="plumb"),
        element("th", "verdict", scope="col"),
        element("th", "note", scope="col", class_="note"),
    ]
    rows = []
    for number, row in enumerate(claimed, start=1):
        cells = (
            element("th", *_what(row), scope="row", class_="what"),
            element("td", claim_text(row.claim) if row.claim else "", class_="n"),
            element("td", *_measured_parts(row), class_="measured"),
            element("td", draw_plumb_line(row.claim, row.measured), class_="plumb"),
            element("td", verdict_mark(row.verdict), verdict_cell(row), class_="verdict"),
            element("td", str(number), class_="note"),
        )
        rows.append(element("tr", *cells))
    made = element(
        "table",
        element("caption", f"Claims and verdicts of {sheet.specimen.label}"),
        element("thead", element("tr", *heads)),
        element("tbody", *rows),
        class_="sheet",
    )
    return element("div", made, class_="wide")


def _others_table(others: Sequence[SheetRow], sheet: Sheet, *, level: int) -> Markup:
    """Return what was measured and nobody claimed; nothing where there is none."""
    if not others:
        return Markup("")
    rows = [(joined(*_what(row)), joined(*_measured_parts(row)), _note(row)) for row in others]
    made = table(
        ("what", "measured, 95 % interval", "note"),
        rows,
        caption=f"Nothing of this is claimed of {sheet.specimen.label}, so none of it is judged",
        class_="others",
    )
    return joined(heading("Measured, and not claimed", level=level), made)


def _what(row: SheetRow) -> Iterator[str]:
    yield row.label[:1].upper() + row.label[1:]
    stated = row.measured.conditions if row.measured else row.claim.conditions if row.claim else {}
    # The mounting of all of them stands among the conditions, unless a claim is made for one.
    is_claimed = row.claim is not None and "mounting" in row.claim.conditions
    shown = {key: value for key, value in stated.items() if key != "mounting" or is_claimed}
    if shown:
        yield element("small", conditions_text(shown))


def _measured_parts(row: SheetRow) -> Iterator[str]:
    if row.measured is None:
        yield "–"
        return
    value, low, high = shown_values(row, row.measured.value, row.measured.low, row.measured.high)
    shown, interval = map(with_minus, band_values((value, low, high)))
    yield element("b", shown)
    yield f"\u00a0{row_unit(row)} ".replace("\u00a0 ", " ")
    yield element("small", f"({interval})")


def verdict_cell(row: SheetRow) -> Markup:
    """Return the verdict of a row in words, and that it is of a simulated joint."""
    words, bracket, interval = with_minus(verdict_text(row)).partition(" (")
    is_decided = row.verdict in {Verdict.CONFIRMED, Verdict.FALLS_SHORT}
    is_simulated = row.measured is not None and row.measured.is_simulated
    return joined(
        element("b", words) if is_decided else words,
        element("small", f" ({interval}") if bracket else "",
        element("small", " simulated", class_="sim") if is_simulated else "",
    )


def _note(row: SheetRow) -> Markup:
    words = [reason_text(row), trend_text(row) and f"over the hours recorded: {trend_text(row)}"]
    words.insert(0, _no_reason(row))
    if row.measured is not None:
        names = list(dict.fromkeys(one.recording for one in row.measured.findings))
        found = len(row.measured.findings)
        if len(names) > _MOST_NAMES:
            names = [*names[: _MOST_NAMES - 1], f"{len(names) - _MOST_NAMES + 1} more"]
        words.append(f"from {counted(found, 'finding')} in {list_text(names)}")
    text = with_minus("; ".join(filter(None, words)))
    return with_code(f"{text[:1].upper()}{text[1:]}.")


def _no_reason(row: SheetRow) -> str:
    """Return that the recordings show no reason, of a row that falls short without one; else ""."""
    is_open = row.verdict is Verdict.FALLS_SHORT and not row.held_by
    return "these recordings do not show why" if is_open else ""


def typed_text(one: TypedValue) -> str:
    """Return what a person typed: as it was, where its name is the whole of it."""
    if "=" in one.name:
        return one.name
    value = f"{one.value:g}" if isinstance(one.value, float) else str(one.value)
    return f"{one.name} {value} {unit_words(one.unit)}".rstrip()


def _typed_line(sheet: Sheet) -> str:
    """Return what was typed in: in full where it is little, else how many of what."""
    typed = list(
        dict.fromkeys(
            typed_text(one) for found in sheet.specimen.quantities for one in found.finding.typed
        )
    )
    if len(typed) <= _MOST_TYPED:
        return "; ".join(typed)
    count = Counter(one.partition("=")[0] if "=" in one else one.partition(" ")[0] for one in typed)
    each = list_text([f"{times} of {name}" for name, times in count.items()])
    return f"{len(typed)} readings ({each}); they stand below their findings"


def _condition_pairs(
    evidence: ReportEvidence, sheet: Sheet, joints: list[JointEvidence]
) -> Iterator[tuple[str, str]]:
    def each(texts: Iterator[str]) -> str:
        return "; ".join(dict.fromkeys(filter(None, texts)))

    settings = [joint.settings for joint in joints]
    yield "specimen", who_text(sheet)
    yield "mounting", each(one.mounting for one in settings) or "not stated"
    ambient = [*_extent(joints, "temperature_ambient_degC")] or [
        f"{text} ({joint.label})"
        for recording in evidence.recordings
        for joint in recording.joints
        if joint.is_sensor
        for text in _extent([joint], "temperature_ambient_degC")
    ]
    yield "ambient", each(iter(ambient)) or "not recorded"
    yield "supply", each(_extent(joints, "voltage_V")) or "not recorded"
    yield "typed in", _typed_line(sheet)
    yield "layout", each(one.layout for one in settings)
    yield "gear ratio", each(f"{one.gear_ratio:g}" for one in settings)
    yield "current", each(CURRENT_CONVENTIONS[one.current.convention] for one in settings)
    yield (
        "torque",
        each(
            f"computed from the current, {joint.settings.torque.per_ampere:g} N·m/A"
            if joint.derives_torque and joint.settings.torque is not None
            else "as the joint reports it"
            for joint in joints
            if any(one.channel == "torque_Nm" for one in joint.figures)
        ),
    )
    recordings = counted(len(sheet.specimen.recordings), "recording")
    yield "recorded", f"{sheet.specimen.recorded_h:.1f} h in {recordings}"


def _extent(joints: list[JointEvidence], channel: str) -> Iterator[str]:
    found = [one.figures for joint in joints for one in joint.figures if one.channel == channel]
    if found:
        low = figure_text(min(one.minimum for one in found), channel)
        high = figure_text(max(one.maximum for one in found), channel)
        unit = "°C" if channel.endswith("degC") else "V"
        yield f"{low} to {high} {unit}, recorded"


def untested_lines(sheet: Sheet) -> Iterator[str]:
    """Yield claims without a verdict, then quantities that nobody claimed or measured."""
    for verdict, words in _OPEN.items():
        names = [
            row.label for row in sheet.rows if row.claim is not None and row.verdict is verdict
        ]
        if names:
            yield f"{words}: {list_text(names)}."
    named = {row.name for row in sheet.rows}
    others = [one.label for name, one in SHEET_QUANTITIES.items() if name not in named]
    if others:
        # Some labels have a comma of their own.
        yield f"Neither claimed nor measured: {'; '.join(others)}."
    yield "Whatever no line here names: life, loads from the side, dust, water, other ambients."


def shortfall_lines(sheet: Sheet, name: str) -> Iterator[str]:
    """Yield each claim that a specimen falls short of: what was measured, by how much, why."""
    for row in sheet.rows:
        if row.verdict is Verdict.FALLS_SHORT and row.claim is not None:
            yield (
                f"{name}, {row.label}: {measured_text(row)} measured, {claim_text(row.claim)} "
                f"claimed: {verdict_text(row)}; "
                f"{'; '.join(filter(None, (_no_reason(row), reason_text(row))))}."
            )
