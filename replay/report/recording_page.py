"""What one recording tells: its conditions, traces, what went beyond limits, load, notes. Pure."""

import string
from collections.abc import Iterator, Sequence
from typing import Final

from replay.excursions.excursion import Excursion
from replay.excursions.words import (
    EXCURSION_HEAD,
    NOT_JUDGED_HEAD,
    excursion_rows,
    not_judged_rows,
)
from replay.report.blocks import bullets, definitions, table
from replay.report.evidence import JointEvidence, RecordingEvidence
from replay.report.load_part import load_part
from replay.report.markup import Markup, element, joined
from replay.report.texts import (
    channel_words,
    counted,
    figure_text,
    instant_text,
    length_text,
    list_text,
)
from replay.report.trace_figure import (
    FigureAlert,
    FigureGap,
    FigureNote,
    TraceFigure,
    draw_trace_figure,
)

__all__ = ["limits_text", "lost_text", "recording_section"]

_MOST_EXCURSIONS: Final = 60
_MOST_GAPS: Final = 20
_MOST_NOTES: Final = 100
_NO_RMS: Final = ("temperature", "position")


def lost_text(recording: RecordingEvidence) -> str:
    """Return what of a recording is missing, in a few words."""
    check = recording.check
    words = []
    if check.dropped or check.unknown_losses:
        unknown = " and an unknown number" if check.unknown_losses else ""
        words.append(f"{counted(check.dropped, 'frame')}{unknown} lost")
    if check.garbled:
        words.append(f"{counted(check.garbled, 'line')} of the adapters could not be read")
    if check.damaged:
        words.append(f"{counted(check.damaged, 'frame')} came damaged")
    if check.skipped:
        words.append(f"{counted(check.skipped, 'frame')} missing by the counters of frames")
    if check.gaps:
        longest = max(gap.duration_s for gap in check.gaps)
        words.append(
            f"{counted(len(check.gaps), 'gap')}, the longest {length_text(longest)}"
            if len(check.gaps) > 1
            else f"one gap of {length_text(longest)}"
        )
    if check.missing:
        words.append("more is missing, see below")
    return "; ".join(words) or "no frame lost, no gap"


def limits_text(recording: RecordingEvidence) -> str:
    """Return what went beyond limits, in a few words."""
    if not recording.limits:
        return "no limits were in force"
    found = recording.excursions
    force = f"{counted(len(recording.limits), 'limit')} in force"
    if not found:
        return f"nothing went beyond a limit, of {force}"
    trips = sum(one.severity == "trip" for one in found)
    names = list(dict.fromkeys(one.limit for one in found))
    return (
        f"{counted(len(found), 'excursion')} beyond {len(names)} of {force}, "
        f"{counted(trips, 'trip')} among them"
    )


def recording_section(recording: RecordingEvidence, *, number: int) -> Markup:
    """Return the section of a recording; `number` makes the names within it unique."""
    labels = {joint.settings.name: joint.label for joint in recording.joints}
    letters = _lettered(recording)
    return element(
        "section",
        element("h2", f"Recording: {recording.name}", id=f"recording-{number}"),
        _cautions(recording),
        definitions(_recording_facts(recording)),
        *(
            _joint_section(recording, joint, ident=f"figure-{number}-{at}", letters=letters)
            for at, joint in enumerate(recording.joints)
            if not joint.is_sensor
        ),
        _sensors(recording),
        _beyond_limits(recording, labels),
        _notes(recording, letters),
        # The others follow where there is room: a page each would leave most of many empty.
        **({"class_": "page"} if number == 1 else {}),
        aria_labelledby=f"recording-{number}",
    )


def _cautions(recording: RecordingEvidence) -> Markup:
    words = []
    if recording.is_simulated:
        words.append("These joints are simulated: no figure here is that of a real joint.")
    if recording.is_live:
        words.append("It is still being recorded: what follows is the state when this was made.")
    words += recording.check.missing
    return (
        element("div", *(element("p", text) for text in words), class_="caution")
        if words
        else Markup("")
    )


def _recording_facts(recording: RecordingEvidence) -> Iterator[tuple[str, str]]:
    check = recording.check
    length_s = (recording.end_ns - recording.start_ns) / 1e9
    yield "recorded", f"{instant_text(recording.start_ns)} to {instant_text(recording.end_ns)} UTC"
    yield "length", length_text(length_s)
    yield "folder", recording.folder
    yield "note", recording.note
    yield "ended by", recording.end_cause
    rows = list_text(
        [f"{check.rows[joint.settings.name]:,} of {joint.label}" for joint in recording.joints]
    )
    yield "readings", f"{rows}; {counted(check.frames, 'frame')}"
    yield "lost", lost_text(recording)
    if check.standstills:
        yield (
            "stood still",
            f"the recorder stood still {counted(check.standstills, 'time')}, "
            f"{length_text(check.longest_standstill_s)} at the longest",
        )
    yield "limits", limits_text(recording)


def _joint_section(
    recording: RecordingEvidence, joint: JointEvidence, *, ident: str, letters: dict[int, str]
) -> Markup:
    start_ns, end_ns = recording.start_ns, recording.end_ns
    figure = TraceFigure(
        ident=ident,
        label=joint.label,
        start_ns=start_ns,
        length_s=(end_ns - start_ns) / 1e9,
        rows=joint.rows,
        alerts=tuple(_figure_alerts(recording, joint)),
        gaps=tuple(
            FigureGap(start_s=(begin - start_ns) / 1e9, end_s=(end - start_ns) / 1e9)
            for begin, end in joint.gaps_ns
        ),
        notes=tuple(
            FigureNote(at_s=(note.time_ns - start_ns) / 1e9, letter=letters[note.sequence])
            for note in recording.notes
            if note.sequence in letters and start_ns <= note.time_ns <= end_ns
        ),
    )
    drawn = element(
        "figure",
        draw_trace_figure(figure),
        element(
            "figcaption",
            " ".join(_marks_words(figure)),
        ),
    )
    return joined(
        element("h3", joint.label),
        drawn if joint.rows else element("p", "No value of it was recorded."),
        _figure_table(joint),
        load_part(joint),
    )


def _marks_words(figure: TraceFigure) -> Iterator[str]:
    """Yield what the marks mean that are in a figure, and of no others."""
    if figure.alerts:
        yield (
            "Above the rows: excursions beyond limits, numbered as in their table (octagon and "
            "black: trip; triangle and grey: warning)."
        )
    if figure.gaps:
        yield "Dashed grey areas: no frames."
    if figure.notes:
        yield ("Dotted lines and ticks: notes, with the letters of their list where there is room.")


def _figure_alerts(recording: RecordingEvidence, joint: JointEvidence) -> Iterator[FigureAlert]:
    for number, one in enumerate(recording.excursions, start=1):
        if one.joint == joint.settings.name:
            start_s = (one.start_ns - recording.start_ns) / 1e9
            yield FigureAlert(
                start_s=start_s,
                end_s=start_s + one.duration_s,
                is_trip=one.severity == "trip",
                number=number if number <= _MOST_EXCURSIONS else 0,
            )


def _figure_table(joint: JointEvidence) -> Markup:
    rows = []
    for one in joint.figures:
        name, unit = channel_words(one.channel)
        found = one.figures
        rms = "" if name.startswith(_NO_RMS) else figure_text(found.rms, one.channel)
        rows.append(
            (
                name,
                unit,
                *(
                    figure_text(value, one.channel)
                    for value in (found.minimum, found.mean, found.maximum)
                ),
                rms,
            )
        )
    return table(
        ("channel", "unit", "lowest", "mean", "highest", "RMS"),
        rows,
        caption=f"{joint.label} over the whole recording, weighted by time",
        numbers=frozenset({2, 3, 4, 5}),
    )


def _sensors(recording: RecordingEvidence) -> Markup:
    sensors = [joint for joint in recording.joints if joint.is_sensor and joint.figures]
    if not sensors:
        return Markup("")
    return joined(
        element("h3", "Instruments beside the joints"), *(_figure_table(one) for one in sensors)
    )


def _beyond_limits(recording: RecordingEvidence, labels: dict[str, str]) -> Markup:
    if not recording.limits:
        return Markup("")
    found = recording.excursions
    shown = found[:_MOST_EXCURSIONS]
    # The start as everywhere in a report; the rest as the command has it.
    rows = [
        (str(number), instant_text(one.start_ns), *row[1:])
        for number, (one, row) in enumerate(
            zip(shown, excursion_rows(shown, labels), strict=True), start=1
        )
    ]
    more = (
        f"The first {len(shown)} of {len(found)}; all: dutytrace excursions {recording.folder}."
        if len(found) > len(shown)
        else ""
    )
    silent = recording.not_judged[:_MOST_EXCURSIONS]
    not_judged = [
        (instant_text(one.start_ns), *row[1:])
        for one, row in zip(silent, not_judged_rows(silent, labels), strict=True)
    ]
    changed = (
        f"Other limits were put into force {counted(recording.limits_changed, 'time')}; these "
        "are the last."
        if recording.limits_changed
        else ""
    )
    return joined(
        element("h3", "Beyond limits"),
        element("p", f"{limits_text(recording).capitalize()}."),
        table(
            ("limit", "joint", "severity", "how often", "in all", "the longest"),
            _by_limit(found, labels),
            numbers=frozenset({3, 4, 5}),
        ),
        table(("", *EXCURSION_HEAD), rows, caption=more),
        element("h4", "Not judged") if recording.not_judged else "",
        element(
            "p",
            "What is not listed above may have been beyond these limits all the same.",
        )
        if recording.not_judged
        else "",
        table(NOT_JUDGED_HEAD, not_judged),
        element("h4", "Limits in force"),
        table(
            ("limit", "severity", "what it does"),
            [(one.name, one.severity, one.text) for one in recording.limits],
            caption=changed,
        ),
    )


def _by_limit(found: Sequence[Excursion], labels: dict[str, str]) -> Iterator[tuple[str, ...]]:
    """Yield limit, joint, severity, how often, for how long in all and at the longest."""
    groups: dict[tuple[str, str, str], list[Excursion]] = {}
    for one in found:
        groups.setdefault((one.limit, one.joint, one.severity), []).append(one)
    for (limit, joint, severity), group in groups.items():
        yield (
            limit,
            labels.get(joint, joint),
            severity,
            f"{len(group):,}",
            length_text(sum(one.duration_s for one in group)),
            length_text(max(one.duration_s for one in group)),
        )


def _lettered(recording: RecordingEvidence) -> dict[int, str]:
    """Return number of an event -> letter of the note: a to z, then aa, ab."""
    letters = string.ascii_lowercase
    notes = recording.notes[-_MOST_NOTES:]
    return {
        note.sequence: letters[at]
        if at < len(letters)
        else letters[at // len(letters) - 1] + letters[at % len(letters)]
        for at, note in enumerate(notes)
    }


def _notes(recording: RecordingEvidence, letters: dict[int, str]) -> Markup:
    gaps = sorted(recording.check.gaps, key=lambda gap: -gap.duration_s)[:_MOST_GAPS]
    labels = {joint.settings.name: joint.label for joint in recording.joints}
    return joined(
        element("h3", "Notes") if letters else "",
        table(
            ("", "when (UTC)", "note", "by"),
            [
                (letters[note.sequence], instant_text(note.time_ns), note.text, note.who)
                for note in recording.notes
                if note.sequence in letters
            ],
            class_="free",
        ),
        element("h3", "Gaps") if gaps else "",
        table(
            ("joint", "from (UTC)", "for", "cause"),
            [
                (
                    labels.get(gap.joint, gap.joint),
                    instant_text(gap.start_ns),
                    length_text(gap.duration_s),
                    gap.cause,
                )
                for gap in gaps
            ],
            caption=f"The longest {len(gaps)} of {len(recording.check.gaps)}"
            if len(gaps) < len(recording.check.gaps)
            else "",
        ),
        bullets(losses.describe() for losses in recording.check.positions),
    )
