"""The trade-off of a sweep: lead time before the bad end against false alerts. Pure.

Each candidate is a point. The Pareto front is joined by a line, the choice has a ring, and a
candidate that misses a bad end is hollow, so that nothing is shown by colour alone.
"""

import math
from typing import Any, Final

from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.format import format_duration
from dashboard.text.theme import Theme
from replay.tuning.tune import SweepResult

__all__ = ["tradeoff_figure"]

TradeoffFigure = dict[str, Any]
_LEAD_TICKS_S: Final = (1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 28800, 86400)


def tradeoff_figure(result: SweepResult, *, theme: Theme) -> TradeoffFigure:
    """Return the figure; `customdata` of a point is the index of its candidate.

    A lead of less than a second is drawn at one second, since the axis is logarithmic.
    """
    max_caught = max((total.caught for total in result.totals), default=0)
    groups = {
        "all": [
            p
            for p, total in enumerate(result.totals)
            if total.caught and total.caught == max_caught
        ],
        "some": [p for p, total in enumerate(result.totals) if 0 < total.caught < max_caught],
    }
    best = [index for index in result.pareto_indices if result.totals[index].caught == max_caught]
    data = [
        {
            **_tradeoff_points(result, best),
            "mode": "lines",
            "line": {"color": theme.ink_2, "width": 1, "shape": "vh"},
            "hoverinfo": "skip",
        },
        {
            **_tradeoff_points(result, groups["some"]),
            "mode": "markers",
            "marker": {"color": theme.paper, "size": 8, "line": {"color": theme.line, "width": 1}},
        },
        {
            **_tradeoff_points(result, groups["all"]),
            "mode": "markers",
            "marker": {"color": theme.pens[0], "size": 8, "opacity": 0.8},
        },
        {
            **_tradeoff_points(result, list(result.pareto_indices)),
            "mode": "markers",
            "marker": {"color": theme.ink, "size": 8, "symbol": "diamond"},
        },
    ]
    if result.chosen_index is not None:
        ring = {"color": "rgba(0,0,0,0)", "size": 18, "line": {"color": theme.ink, "width": 2}}
        data.append(
            {
                **_tradeoff_points(result, [result.chosen_index]),
                "mode": "markers+text",
                "marker": ring,
                "text": ["the choice"],
                "textposition": "bottom right",
                "textfont": {"color": theme.ink, "size": 12.5},
                "hoverinfo": "skip",
            }
        )
    max_false = (
        max([total.false_per_h for total in result.totals if total.caught], default=0.0) or 1.0
    )
    leads = [total.median_lead_s for total in result.totals if total.caught]
    low, high = (max(min(leads), 1.0), max(*leads, 1.0)) if leads else (1.0, 3600.0)
    return {
        "data": [trace for trace in data if trace["x"]],
        "layout": picture_layout(
            theme,
            left_px=92,
            xaxis={
                "title": axis_title("false alerts an hour", theme),
                "range": [-0.03 * max_false, 1.05 * max_false],
            },
            yaxis={
                "title": axis_title("median lead", theme),
                "type": "log",
                "range": [math.log10(low / 1.6), math.log10(high * 1.6)],
                "tickvals": list(_LEAD_TICKS_S),
                "ticktext": [format_duration(total) for total in _LEAD_TICKS_S],
            },
        ),
    }


def _tradeoff_points(result: SweepResult, indices: list[int]) -> TradeoffFigure:
    totals = [result.totals[index] for index in indices]
    candidates = [result.request.sweep.candidates[index] for index in indices]
    return {
        "type": "scatter",
        "cliponaxis": False,
        "x": [total.false_per_h for total in totals],
        "y": [max(total.median_lead_s, 1.0) for total in totals],
        "customdata": indices,
        "hovertemplate": [
            f"{'<br>'.join(map(str, candidate.changes))}<br>"
            f"caught {total.caught} of {total.bad_ends}, "
            f"lead {format_duration(total.median_lead_s)} "
            f"(worst {format_duration(total.worst_lead_s)})"
            f"<br>{total.false_per_h:.3g} false alerts an hour<extra></extra>"
            for candidate, total in zip(candidates, totals, strict=True)
        ],
    }
