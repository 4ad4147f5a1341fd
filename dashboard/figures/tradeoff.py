"""The trade-off of a sweep: how long before the bad end against how often for nothing. Pure.

Each candidate is a point; the best trade-offs are joined by a line, the choice is ringed, and what
catches fewer than all bad ends is hollow, so that no state is told by colour alone.
"""

import math
from typing import Any, Final

from dashboard.figures.style import axis_title, picture_layout
from dashboard.text.theme import Theme, span_words
from replay.tuning.tune import Tuned

__all__ = ["trade_figure"]

Figure = dict[str, Any]
_TICKS_S: Final = (1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 28800, 86400)


def trade_figure(found: Tuned, *, theme: Theme) -> Figure:
    """Return the figure; `customdata` of a point is its place among the candidates.

    A lead of less than a second stands at one second.
    """
    most = max((one.caught for one in found.totals), default=0)
    groups = {
        "all": [p for p, one in enumerate(found.totals) if one.caught and one.caught == most],
        "some": [p for p, one in enumerate(found.totals) if 0 < one.caught < most],
    }
    best = [place for place in found.best if found.totals[place].caught == most]
    data = [
        {
            **_points(found, best),
            "mode": "lines",
            "line": {"color": theme.ink_2, "width": 1, "shape": "vh"},
            "hoverinfo": "skip",
        },
        {
            **_points(found, groups["some"]),
            "mode": "markers",
            "marker": {"color": theme.paper, "size": 8, "line": {"color": theme.line, "width": 1}},
        },
        {
            **_points(found, groups["all"]),
            "mode": "markers",
            "marker": {"color": theme.pens[0], "size": 8, "opacity": 0.8},
        },
        {
            **_points(found, list(found.best)),
            "mode": "markers",
            "marker": {"color": theme.ink, "size": 8, "symbol": "diamond"},
        },
    ]
    if found.chosen is not None:
        ring = {"color": "rgba(0,0,0,0)", "size": 18, "line": {"color": theme.ink, "width": 2}}
        data.append(
            {
                **_points(found, [found.chosen]),
                "mode": "markers+text",
                "marker": ring,
                "text": ["the choice"],
                "textposition": "bottom right",
                "textfont": {"color": theme.ink, "size": 12.5},
                "hoverinfo": "skip",
            }
        )
    most_false = max([one.false_per_h for one in found.totals if one.caught], default=0.0) or 1.0
    leads = [one.median_lead_s for one in found.totals if one.caught]
    low, high = (max(min(leads), 1.0), max(*leads, 1.0)) if leads else (1.0, 3600.0)
    return {
        "data": [trace for trace in data if trace["x"]],
        "layout": picture_layout(
            theme,
            left_px=92,
            xaxis={
                "title": axis_title("false alerts an hour", theme),
                "range": [-0.03 * most_false, 1.05 * most_false],
            },
            yaxis={
                "title": axis_title("median lead", theme),
                "type": "log",
                "range": [math.log10(low / 1.6), math.log10(high * 1.6)],
                "tickvals": list(_TICKS_S),
                "ticktext": [span_words(one) for one in _TICKS_S],
            },
        ),
    }


def _points(found: Tuned, places: list[int]) -> Figure:
    totals = [found.totals[place] for place in places]
    candidates = [found.asked.sweep.candidates[place] for place in places]
    return {
        "type": "scatter",
        "cliponaxis": False,
        "x": [one.false_per_h for one in totals],
        "y": [max(one.median_lead_s, 1.0) for one in totals],
        "customdata": places,
        "hovertemplate": [
            f"{'<br>'.join(map(str, candidate.changes))}<br>caught {one.caught} of {one.bad_ends}, "
            f"lead {span_words(one.median_lead_s)} (worst {span_words(one.worst_lead_s)})"
            f"<br>{one.false_per_h:.3g} false alerts an hour<extra></extra>"
            for candidate, one in zip(candidates, totals, strict=True)
        ],
    }
