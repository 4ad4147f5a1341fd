"""A measured interval hung left or right of the claim, right is better: one figure a row. Pure.

The claim is the thick line, the thin ones stand 10 % from it; the line reaches over the whole
height of its row, so that it is one down the page. What lies beyond 20 % ends at the edge.
"""

from typing import Final

from logger.joint.bench.claims import StatedClaim
from logger.joint.data_sheet import Better
from replay.report.markup import Markup, element
from replay.sheet.combining import Measured

__all__ = ["draw_plumb_line", "plumb_words"]

_REACH: Final = 20.0
_EDGE: Final = 3.0


def _percents(claim: StatedClaim, measured: Measured) -> tuple[float, float, float] | None:
    """Return low, value and high in per cent of the claim, right is better; None: no measure."""
    if claim.value == 0.0 or measured.unit != claim.quantity.ucum:
        return None
    sign = -1.0 if claim.quantity.better is Better.LOWER else 1.0
    low, value, high = (
        100.0 * sign * (one - claim.value) / abs(claim.value)
        for one in (measured.low, measured.value, measured.high)
    )
    return min(low, high), value, max(low, high)


def plumb_words(claim: StatedClaim, measured: Measured) -> str:
    """Return where an interval hangs, in words: "4.7 % worse than claimed"; "" for nowhere."""
    found = _percents(claim, measured)
    if found is None:
        return ""
    side = "better" if found[1] > 0.0 else "worse"
    if claim.quantity.better is Better.NEITHER:
        side = "more" if found[1] > 0.0 else "less"
    return f"{abs(found[1]):.2g} % {side} than claimed"


def draw_plumb_line(claim: StatedClaim | None, measured: Measured | None) -> Markup:
    """Return the line of one row, with the interval where there is one."""
    if claim is None:
        return Markup("")
    content = [
        element("line", x1=at, x2=at, y1="0", y2="100%", stroke="#bbb", stroke_width=0.7)
        for at in (_place(-10.0), _place(10.0))
    ]
    content.append(
        element("line", x1="50%", x2="50%", y1="0", y2="100%", stroke="#000", stroke_width=1.6)
    )
    words = "not measured under the conditions of the claim"
    found = None if measured is None else _percents(claim, measured)
    if found is None or measured is None:
        content.append(_diamond())
    else:
        words = plumb_words(claim, measured)
        content += _bar(*found)
    return element("svg", *content, role="img", aria_label=words)


def _place(percent: float) -> str:
    share = min(max(percent / _REACH, -1.0), 1.0)
    return f"{50.0 + share * (50.0 - _EDGE):.2f}%"


def _bar(low: float, value: float, high: float) -> list[Markup]:
    left, right = float(_place(low)[:-1]), float(_place(high)[:-1])
    bar = element(
        "rect",
        x=f"{left:.2f}%",
        width=f"{max(right - left, 0.6):.2f}%",
        y="50%",
        height=11.0,
        transform="translate(0 -5.5)",
        fill="#c4c4c4",
    )
    ends = [
        element(
            "rect",
            x=_place(end),
            y="50%",
            width=1.6,
            height=11.0,
            transform="translate(-.8 -5.5)",
            fill="#000",
        )
        for end in (low, high)
        if abs(end) <= _REACH
    ]
    dot = element("circle", cx=_place(value), cy="50%", r=3.2, fill="#000")
    return [bar, *ends, dot]


def _diamond() -> Markup:
    return element(
        "svg",
        element("path", d="M0,-6L6,0L0,6L-6,0Z", fill="#fff", stroke="#000", stroke_width=1.3),
        x="50%",
        y="50%",
        overflow="visible",
    )
