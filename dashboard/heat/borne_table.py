"""For how long loads are held, as a table: what stands below each other has one unit."""
# ruff: noqa: N806 - units are written as units are

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from dashboard.heat.load_curve import AllowedLoad, curve_times_s
from replay.heat.answers import WARM_SHARE
from replay.heat.evaluate import answer_heat
from replay.heat.fit import HeatFit
from replay.heat.peak_load import PeakSource, beyond_text, first_beyond
from replay.heat.result import HeatResult, HeldFor
from replay.heat.text import TimeUnit, column_time_unit, unit_text, values_in_unit

__all__ = ["borne_table"]

TABLE_SHARES: Final = (1.05, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.5)
"""Loads of the table, of the one that is borne for ever; rounded to what a person would type."""
COLD_ROOM_DEGC: Final = 25.0
Cell = tuple[str, str]
"""A value, and its interval or what else is said of it."""


@dataclass(frozen=True, slots=True)
class _Room:
    """For how long the loads are held at one ambient."""

    ambient_degC: float  # noqa: N815 - the unit's own spelling
    held: tuple[HeldFor, ...]


def borne_table(
    fit: HeatFit, result: HeatResult, allowed: Sequence[AllowedLoad], for_ever: float
) -> dict[str, Any]:
    """Return for how long loads are held, cold and warm, in a cool room and in the one set.

    Loads that are beyond a peak come last, below a line that says it.

    Parameters
    ----------
    for_ever
        The load that is borne for ever as the rules stand, in the unit of the result.
    """
    loads = _loads(result, for_ever)
    rooms = [_Room(room, _held_times(fit, result, room, loads)) for room in _rooms(fit, result)]
    times = [one[0] for room in rooms for held in room.held for one in (held.cold_s, held.warm_s)]
    unit = column_time_unit(times)
    columns = [
        *_load_columns(result, loads),
        *(
            one
            for room in rooms
            for one in _time_columns(fit, room, unit, is_set=room is rooms[-1])
        ),
    ]
    if allowed:
        columns.append(_allowed_column(fit, rooms[-1].held, allowed, unit))
    return {
        "columns": [{"head": head, "kind": kind} for kind, head, _ in columns],
        "rows": [
            {
                "cells": [cells[at] for _, _, cells in columns],
                "beyond": _beyond(result, load),
            }
            for at, load in enumerate(loads)
        ],
        "lines": list(_peak_lines(result, loads)),
        "note": f"Warm: settled at {WARM_SHARE:.0%} of what is borne for ever in that room. "
        "Small: the interval of 95 %. By heat alone: gear, drive and magnets may bear less."
        + (" Limits from cold." if allowed else ""),
    }


def _loads(result: HeatResult, for_ever: float) -> list[float]:
    """Return loads as a person would type them, and the peaks that somebody asks about."""
    asked = (
        one.load
        for one in result.peaks
        if one.source is not PeakSource.RECORDED
        and for_ever < one.load < TABLE_SHARES[-1] * for_ever
    )
    return sorted({*(_round_load(share * for_ever) for share in TABLE_SHARES), *asked})


def _rooms(fit: HeatFit, result: HeatResult) -> list[float]:
    """Return the ambients of the columns, the one that is set last."""
    at_degC = result.held_at_degC or 0.0
    has_cool = fit.has_room and at_degC > COLD_ROOM_DEGC
    return [COLD_ROOM_DEGC, at_degC] if has_cool else [at_degC]


def _held_times(
    fit: HeatFit, result: HeatResult, room: float, loads: Sequence[float]
) -> tuple[HeldFor, ...]:
    return answer_heat(
        fit,
        limit_degC=result.limit_degC,
        reference_degC=room,
        is_holding=result.is_holding,
        loads=loads,
    ).held_for


def _load_columns(
    result: HeatResult, loads: Sequence[float]
) -> Iterator[tuple[str, str, list[Cell]]]:
    yield "load", unit_text(result.load_unit), [(f"{load:.4g}", "") for load in loads]
    currents = [result.current_A(load) for load in loads]
    known = [f"{one:.3g}" for one in currents if one is not None]
    if known:
        yield "current", "A", [(one, "") for one in known]


def _time_columns(
    fit: HeatFit, room: _Room, unit: TimeUnit, *, is_set: bool
) -> Iterator[tuple[str, str, list[Cell]]]:
    where = f"room {room.ambient_degC:.0f} °C" if fit.has_room else "this room"
    kind = "time" if is_set else "cool"
    for state in ("cold", "warm"):
        times = [one.cold_s if state == "cold" else one.warm_s for one in room.held]
        yield kind, f"{state}, {where}, {unit.text}", [values_in_unit(one, unit) for one in times]


def _allowed_column(
    fit: HeatFit, held: Sequence[HeldFor], allowed: Sequence[AllowedLoad], unit: TimeUnit
) -> tuple[str, str, list[Cell]]:
    """Return for how long the limits let each load go on, and by how much that is too long."""
    lowest = np.asarray(np.min([one.load for one in allowed], axis=0))
    time_s = curve_times_s(fit)
    cells: list[Cell] = []
    for one in held:
        over = np.flatnonzero(lowest < one.load)
        if not len(over):
            cells.append(("for ever", "" if math.isinf(one.cold_s[0]) else "too long"))
            continue
        until_s = float(time_s[over[0]])
        late_s = until_s - one.cold_s[1]
        late = values_in_unit((late_s, late_s, late_s), unit)[0] if late_s > 0.0 else ""
        cells.append((_digits(until_s, unit), f"{late} too long" if late else ""))
    return "allowed", f"limits in force allow at most, {unit.text}", cells


def _digits(time_s: float, unit: TimeUnit) -> str:
    value = time_s / unit.size_s
    return f"{value:.0f}" if value >= 100.0 else f"{value:.3g}"


def _beyond(result: HeatResult, load: float) -> str:
    peak = first_beyond(result.peaks, load)
    return "" if peak is None else beyond_text(peak, result.load_unit)


def _peak_lines(result: HeatResult, loads: Sequence[float]) -> Iterator[dict[str, Any]]:
    """Yield what stands between rows: before which one, and what those below it are beyond."""
    begun = [
        (next((at for at, load in enumerate(loads) if first_beyond((peak,), load)), None), peak)
        for peak in result.peaks
    ]
    for at, peaks in itertools.groupby(begun, key=lambda one: one[0]):
        if at is not None:
            words = "; ".join(beyond_text(peak, result.load_unit) for _, peak in peaks)
            yield {"before": at, "words": words}


def _round_load(load: float) -> float:
    """Return a load as a person would type it: two digits, a half from 10 on."""
    step = 10.0 ** math.floor(math.log10(load) - 1.0) if load > 0 else 1.0
    step = 0.5 if 10.0 <= load < 20.0 else step
    return float(f"{round(load / step) * step:.6g}")
