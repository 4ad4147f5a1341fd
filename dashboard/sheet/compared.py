"""Joints beside each other as the page draws them: pair by pair, and quantity by quantity. Pure.

Two joints are one table of differences. Of more the question is first which of all stands out: of
each quantity every joint hangs on one scale, with the pairs that differ by more than chance named
beside it; the pairs themselves lie folded below.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from dashboard.figures.axes import round_ticks, tick_text
from dashboard.sheet.bar_place import percent_of
from dashboard.sheet.replay_links import overlay_address
from replay.heat.text import band_values
from replay.sheet.combining import Measured
from replay.sheet.comparison import Difference, compare_specimens
from replay.sheet.sheet import claim_on, measured_of
from replay.sheet.specimens import Specimen
from replay.sheet.words import claim_text, unit_words

__all__ = ["compared_content"]

_MARGIN: Final = 0.06
"""Share of the width of a scale that is left free at either end."""
_MOST_TICKS: Final = 5
_LEAST_JOINTS_SHARE: Final = 0.2
"""Of a scale, that the joints on it fill."""


def compared_content(
    specimens: Sequence[Specimen], named: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """Return the differences of two joints or more; all of them are questions at once.

    `named`: key of each specimen -> its `name` and `pen`.
    """
    comparison = compare_specimens({one.key: measured_of(one) for one in specimens})
    quantities: dict[tuple[str, str], list[Difference]] = {}
    for one in comparison.differences:
        quantities.setdefault((one.name, one.unit), []).append(one)
    return {
        "questions": comparison.questions,
        "names": [named[one.key]["name"] for one in specimens],
        "quantities": [
            {
                "label": _quantity_label(name),
                "unit": unit_words(unit),
                **_scale(differences, named, {one.key: one for one in specimens}),
                "apart": _apart(differences, named),
                "needed": _needed(differences),
                "rows": [*_difference_rows(differences, named)],
            }
            for (name, unit), differences in quantities.items()
        ],
    }


def _quantity_label(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _scale(
    differences: Sequence[Difference],
    named: Mapping[str, Mapping[str, Any]],
    specimens: Mapping[str, Specimen],
) -> dict[str, Any]:
    """Return every joint of a quantity as shares of one scale, and the scale's round values.

    What is claimed of a joint has its place as well, and so far away that the joints could not be
    told apart beside it, its words alone.
    """
    measured: dict[str, Measured] = {}
    for pair in differences:
        measured.setdefault(pair.first, pair.of_first)
        measured.setdefault(pair.second, pair.of_second)
    low = min(one.low for one in measured.values())
    high = max(one.high for one in measured.values())
    claims = {key: claim_on(specimens[key], one) for key, one in measured.items()}
    room = (high - low) / _LEAST_JOINTS_SHARE
    for claim in filter(None, claims.values()):
        if max(high, claim.value) - min(low, claim.value) <= room:
            low, high = min(low, claim.value), max(high, claim.value)
    margin = _MARGIN * (high - low) or 0.5 * abs(high) or 1.0
    low, high = low - margin, high + margin

    def share(value: float) -> float:
        return (value - low) / (high - low)

    joints: list[dict[str, Any]] = []
    for key, one in measured.items():
        value, interval = band_values((one.value, one.low, one.high))
        claimed = claims[key]
        is_near = claimed is not None and low <= claimed.value <= high
        joints.append(
            {
                "name": named[key]["name"],
                # There are more joints than pens: those beside the chosen one are told by name.
                "pen": 0 if joints else named[key]["pen"],
                "value": value,
                "interval": interval,
                "low": share(one.low),
                "at": share(one.value),
                "high": share(one.high),
                "claim": share(claimed.value) if claimed is not None and is_near else None,
                "claimed": "" if claimed is None else claim_text(claimed),
            }
        )
    ticks = round_ticks(low, high, max_count=_MOST_TICKS)
    return {
        "joints": joints,
        "ticks": [
            {"at": share(at), "text": text}
            for at, text in zip(ticks, tick_text(ticks), strict=True)
        ],
    }


def _apart(
    differences: Sequence[Difference], named: Mapping[str, Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return which joint lies above which by more than chance."""
    above: dict[str, list[str]] = {}
    for one in differences:
        if one.is_more_than_chance:
            upper, lower = (one.first, one.second) if one.value > 0.0 else (one.second, one.first)
            above.setdefault(upper, []).append(named[lower]["name"])
    return [{"name": named[key]["name"], "above": lower} for key, lower in above.items()]


def _needed(differences: Sequence[Difference]) -> str:
    """Return the difference that any two would have to have to be more than chance."""
    return f"{max((one.high_all - one.low_all) / 2.0 for one in differences):.2g}"


def _difference_rows(
    differences: Sequence[Difference], named: Mapping[str, Mapping[str, Any]]
) -> Iterator[dict[str, Any]]:
    """Yield the second less the first, as one reads "spare less shoulder"."""
    for one in differences:
        mine, theirs = one.of_first, one.of_second
        scale = abs(mine.value) or 1.0
        value, interval = band_values((0.0 - one.value, 0.0 - one.high_all, 0.0 - one.low_all))
        yield {
            "names": [named[one.first]["name"], named[one.second]["name"]],
            "label": _quantity_label(one.name),
            "unit": unit_words(one.unit),
            "first": list(band_values((mine.value, mine.low, mine.high))),
            "second": list(band_values((theirs.value, theirs.low, theirs.high))),
            "difference": f"{'+' if one.value < 0.0 else ''}{value}".replace("-", "\u2212"),
            "interval": interval.replace("-", "\u2212"),
            "bar": {
                "low": percent_of(-one.high_all, scale),
                "value": percent_of(-one.value, scale),
                "high": percent_of(-one.low_all, scale),
                "text": "",
            },
            "more": one.is_more_than_chance,
            "shared": ", ".join(one.shared),
            "traces": overlay_address(mine, theirs),
        }
