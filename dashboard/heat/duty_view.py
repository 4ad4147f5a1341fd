"""What the Heat page shows of a joint's load as it was: sentence, figures, tables, notes."""

from datetime import UTC, tzinfo
from typing import Any

from dashboard.figures.pens import choose_pens
from dashboard.heat.load_map_figure import load_map_figure
from dashboard.heat.rms_window_figure import rms_window_figure
from dashboard.text.theme import Theme, channel_label
from logger.joint.quantities import Display
from replay.duty.result import DutyResult
from replay.duty.sentence import duty_parts, duty_sentence, source_text
from replay.duty.words import (
    assumption_lines,
    caution_lines,
    duty_line,
    figure_rows,
    lack_lines,
    range_rows,
    source_lines,
    window_rows,
)
from replay.heat.text import unit_text
from replay.recording import Recording

__all__ = ["duty_view"]


def duty_view(
    recording: Recording,
    account: DutyResult,
    *,
    speed: Display,
    theme: Theme,
    zone: tzinfo = UTC,
) -> dict[str, Any]:
    """Return everything that the page shows of an account.

    Parameters
    ----------
    account
        Held against what the rules of the page say.
    speed
        How speeds are shown.
    """
    pen = choose_pens((), recording.joints, [account.joint])[account.joint]
    unit = unit_text(account.unit)
    tightest = account.tightest
    span = None
    if tightest is not None:
        begin_s = (tightest.window.start_ns - recording.start_ns) / 1e9
        span = [begin_s, begin_s + tightest.window.window_s]
    return {
        "state": "shown",
        "sentence": [part.to_json() for part in duty_parts(account)],
        "copy": duty_sentence(account),
        "tightest": span,
        "curve": rms_window_figure(
            account.windows,
            account.allowed,
            rated=account.rated,
            tightest=tightest,
            unit=unit,
            pen=pen,
            theme=theme,
        )
        if account.windows
        else None,
        "curve_note": _curve_note(account),
        "map": load_map_figure(account.load_map, unit=unit, speed=speed, pen=pen, theme=theme)
        if account.load_map is not None
        else None,
        "windows": [list(row) for row in window_rows(account, zone)],
        "figures": [list(row) for row in figure_rows(account)],
        "ranges": [[channel_label(of), *rest] for of, *rest in range_rows(account)],
        "notes": [
            *source_lines(account),
            duty_line(account.duty, account.unit),
            *lack_lines(account),
            *assumption_lines(account),
            # What holds for the joint as well stands with what it bears.
            *caution_lines(
                account, is_whole=account.limit is None or bool(account.limit.fitted_to)
            ),
        ],
    }


def _curve_note(account: DutyResult) -> str:
    """Return what the lines of the figure are."""
    if account.limit is None:
        return "the highest RMS over any window of that length"
    at = f"{account.limit.ambient_degC:.0f} °C"
    at += " without load" if account.limit.ambient_is_idle else ""
    then = "there" if account.limit.fitted_to else "as it was"
    by = f", as fitted to {source_text(account.limit)}" if account.limit.fitted_to else ""
    return (
        f"thin: what it holds for as long with its {account.limit.node} at "
        f"{account.limit.limit_degC:g} °C, from warm, at {at} {then}{by}; band 95 of 100"
    )
