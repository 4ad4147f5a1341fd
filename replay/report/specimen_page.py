"""The page of one specimen: claimed, measured, the verdict, and what was not tested.

It is the page for who was not at the bench: each row says what holds, by how much it does not, or
that it is open, and the numbered notes say why and from what. Pure.
"""

from collections.abc import Iterator
from typing import Final

from logger.joint.bench.joint_settings import CURRENT_CONVENTIONS
from logger.joint.data_sheet import SHEET_QUANTITIES
from replay.heat.sentence import words_part
from replay.heat.text import band_values
from replay.report.blocks import answer, bullets, definitions, heading, verdict_mark
from replay.report.evidence import JointEvidence, ReportEvidence
from replay.report.markup import Markup, element, joined, with_code
from replay.report.plumb_line import draw_plumb_line
from replay.report.texts import counted, figure_text, list_text
from replay.sheet.sentence import sheet_sentence
from replay.sheet.sheet import Sheet, SheetRow
from replay.sheet.verdict import Verdict
from replay.sheet.words import (
    claim_text,
    conditions_text,
    reason_text,
    row_unit,
    shown_values,
    trend_text,
    verdict_text,
)

__all__ = ["specimen_answer", "specimen_section", "untested_lines", "who_text"]

_OPEN: Final = {
    Verdict.NOT_MEASURED: "Claimed, and not measured yet",
    Verdict.NOT_COMPARABLE: "Measured under other conditions than claimed",
}
_RULE: Final = (
    "A claim is met, or missed, only if the whole 95 % interval lies on one side of it, as far as "
    "what rounds to it; all else is not proven either way. So decide ISO 14253-1 and JCGM 106 "
    "(known here by name and purpose, not read). The thick line is the claim, the thin ones stand "
    "10 % from it; right of it is better, for backlash and mass too."
)


def who_text(sheet: Sheet) -> str:
    """Return who a specimen is: its serial or that there is none, and its type."""
    one = sheet.specimen
    serial = f"serial {one.serial}" if one.serial else "by name, no serial given"
    return f"{serial}, of the type {one.type}" if one.type else serial


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
    evidence: ReportEvidence, sheet: Sheet, between: str = "", *, level: int = 3
) -> Markup:
    """Return the table of verdicts of a specimen, notes, conditions and what was not tested.

    `between`: what stands beside the notes, above what was not tested. `level`: of its headings.
    """
    joints = [
        joint
        for recording in evidence.recordings
        for joint in recording.joints
        if not joint.is_sensor
        and (joint.settings.serial or joint.settings.name) == sheet.specimen.key
    ]
    conditions = definitions(_condition_pairs(evidence, sheet, joints))
    if not sheet.rows:
        return joined(heading("Conditions", level=level), conditions)
    has_claims = any(row.claim for row in sheet.rows)
    return joined(
        _verdict_table(sheet, has_claims=has_claims),
        element(
            "div",
            element(
                "div",
                heading("Notes, and from what", level=level),
                bullets((_note(row) for row in sheet.rows), numbered=True),
            ),
            element(
                "div",
                between,
                heading("Not tested", level=level),
                bullets(untested_lines(sheet)),
                heading("Conditions", level=level),
                conditions,
                heading("How it was judged", level=level) if has_claims else "",
                element("p", _RULE) if has_claims else "",
                element(
                    "div",
                    element("span", "measured by"),
                    element("span", "date"),
                    class_="sign",
                ),
            ),
            class_="pair",
        ),
    )


def _verdict_table(sheet: Sheet, *, has_claims: bool) -> Markup:
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
        *((element("th", scale, scope="col", class_="plumb"),) if has_claims else ()),
        element("th", "verdict", scope="col"),
        element("th", "note", scope="col", class_="note"),
    ]
    rows = []
    for number, row in enumerate(sheet.rows, start=1):
        cells = [
            element("th", *_what(row), scope="row", class_="what"),
            element("td", claim_text(row.claim) if row.claim else "no claim", class_="n"),
            element("td", *_measured_parts(row), class_="measured"),
        ]
        if has_claims:
            cells.append(element("td", draw_plumb_line(row.claim, row.measured), class_="plumb"))
        cells += [
            element("td", verdict_mark(row.verdict), *_verdict_parts(row), class_="verdict"),
            element("td", str(number), class_="note"),
        ]
        rows.append(element("tr", *cells))
    made = element(
        "table",
        element("caption", f"Claims and verdicts of {sheet.specimen.label}"),
        element("thead", element("tr", *heads)),
        element("tbody", *rows),
        class_="sheet",
    )
    return element("div", made, class_="wide")


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
    shown, interval = band_values((value, low, high))
    yield element("b", shown)
    yield f"\u00a0{row_unit(row)} ".replace("\u00a0 ", " ")
    yield element("small", f"({interval})")


def _verdict_parts(row: SheetRow) -> Iterator[str]:
    if row.verdict is Verdict.NOT_CLAIMED:
        yield "nothing to judge"
        return
    words, bracket, interval = verdict_text(row).partition(" (")
    is_decided = row.verdict in {Verdict.CONFIRMED, Verdict.FALLS_SHORT}
    yield element("b", words) if is_decided else words
    if bracket:
        yield element("small", f" ({interval}")


def _note(row: SheetRow) -> str:
    words = [reason_text(row), trend_text(row) and f"over the hours recorded: {trend_text(row)}"]
    if row.measured is not None:
        names = list(dict.fromkeys(one.recording for one in row.measured.findings))
        found = len(row.measured.findings)
        words.append(
            f"from {'1 finding' if found == 1 else f'{found} findings'} in {list_text(names)}"
        )
    text = "; ".join(filter(None, words))
    return with_code(f"{text[:1].upper()}{text[1:]}.")


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
    typed = dict.fromkeys(
        f"{one.name} {one.value:g} {one.unit}".rstrip()
        if isinstance(one.value, float)
        else f"{one.name} {one.value} {one.unit}".rstrip()
        for found in sheet.specimen.quantities
        for one in found.finding.typed
    )
    yield "ambient", each(iter(ambient)) or "not recorded"
    yield "supply", each(_extent(joints, "voltage_V")) or "not recorded"
    yield "typed in", ", ".join(typed)
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
