"""Many cycles as columns, their counts and their text as CSV. Pure."""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.campaign.cycle_plan import Cycle, CycleKind

__all__ = ["CycleCounter", "CycleTable", "FigureValues", "kind_codes", "slices", "taken"]

FigureValues = NDArray[np.float64] | NDArray[np.float32]
"""A figure of n cycles, shape (n,); of millions in single precision."""
_SLICE: Final = 262_144
_KINDS: Final = tuple(CycleKind)
_CODES: Final = {kind: code for code, kind in enumerate(_KINDS)}


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleTable:
    """n cycles of one joint in order of time; arrays of shape (n,)."""

    joint: str
    start_ns: Ints
    end_ns: Ints
    kind_codes: NDArray[np.uint8]
    """As `kind_codes` gives them: a campaign has millions of cycles."""
    figures: Mapping[str, FigureValues]
    """By name; NaN where one is not known."""

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def counts(self) -> dict[CycleKind, int]:
        """How many there are of each kind."""
        counts = np.bincount(self.kind_codes, minlength=len(_KINDS)).tolist()
        return dict(zip(_KINDS, counts, strict=True))

    @property
    def kinds(self) -> list[CycleKind]:
        """The kind of each."""
        return [_KINDS[code] for code in self.kind_codes.tolist()]

    @property
    def is_whole(self) -> NDArray[np.bool_]:
        """Which ran through."""
        return np.equal(self.kind_codes, _CODES[CycleKind.WHOLE])

    def whole(self, name: str) -> Floats:
        """Return a figure of the whole cycles that have it."""
        values = self.figures[name][self.is_whole]
        return np.asarray(values[np.isfinite(values)])

    def to_json(self) -> list[dict[str, Any]]:
        """Return a mapping for each cycle; null where a figure is not known."""
        columns = list(self.figures.items())
        return [
            {
                "cycle": row + 1,
                "start": start,
                "kind": str(kind),
                **{name: _or_none(float(values[row])) for name, values in columns},
            }
            for row, (start, kind) in enumerate(zip(self._starts(), self.kinds, strict=True))
        ]

    def csv_lines(self) -> Iterator[str]:
        """Yield a head and a line for each cycle; empty where a figure is not known."""
        yield ",".join(("cycle", "start", "kind", *self.figures))
        columns = list(self.figures.values())
        for row, (start, kind) in enumerate(zip(self._starts(), self.kinds, strict=True)):
            values = [float(one[row]) for one in columns]
            texts = ["" if math.isnan(one) else f"{one:.9g}" for one in values]
            yield ",".join((str(row + 1), start, str(kind), *texts))

    def _starts(self) -> Iterator[str]:
        for start_ns in self.start_ns.tolist():
            at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=start_ns // 1000)
            yield at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def slices(count: int) -> Iterator[slice]:
    """Yield slices over rows of which there are so many: of millions no copy is made at once."""
    for first in range(0, count, _SLICE):
        yield slice(first, min(first + _SLICE, count))


def taken(used: NDArray[np.bool_], values: Callable[[slice], Floats]) -> Floats:
    """Return what `values` gives of the rows of a slice, of those that are used; shape (sum,)."""
    out, first = np.empty(np.count_nonzero(used)), 0
    for own in slices(len(used)):
        piece = values(own)[used[own]]
        out[first : first + len(piece)] = piece
        first += len(piece)
    return out


def kind_codes(kinds: Iterable[CycleKind]) -> NDArray[np.uint8]:
    """Return kinds of cycles as they are kept, a byte each."""
    return np.fromiter((_CODES[kind] for kind in kinds), np.uint8)


class CycleCounter:
    """Takes cycles as they are found and makes one table of them."""

    def __init__(self, joint: str, names: Sequence[str]) -> None:
        self._joint = joint
        self._names = tuple(names)
        self._kinds: list[CycleKind] = []
        self._times: list[Ints] = []
        self._values: list[Floats] = []

    def add(self, cycles: Sequence[Cycle]) -> None:
        """Take the next cycles."""
        if not cycles:
            return
        self._kinds += [one.kind for one in cycles]
        self._times.append(np.array([(one.start_ns, one.end_ns) for one in cycles], np.int64))
        self._values.append(
            np.array([[one.figures[name] for name in self._names] for one in cycles], np.float64)
        )

    def table(self) -> CycleTable:
        """Return the table of all cycles taken."""
        times = np.concatenate([np.empty((0, 2), np.int64), *self._times])
        values = np.concatenate([np.empty((0, len(self._names))), *self._values])
        return CycleTable(
            joint=self._joint,
            start_ns=times[:, 0],
            end_ns=times[:, 1],
            kind_codes=kind_codes(self._kinds),
            figures={name: values[:, at] for at, name in enumerate(self._names)},
        )


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
