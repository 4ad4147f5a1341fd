"""The sweep file: what counts as a bad end, and which candidates are to be judged.

Turns the text of a sweep file into candidates: the limits of a limits file with some of their keys
changed, over a grid or drawn at random. What the model of a limit refuses (a drop-off beyond the
pick-up) is no candidate; it is counted. A mistake is answered with the file, the key, what stands
there and what would be right. `read_sweep` reads disk; all else is pure.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import InputError
from logger.limits.bus import OfRecorder
from logger.limits.limit import LimitSet, OfJoint
from logger.settings_file import checked, nearest, read_text, read_toml
from replay.tuning.sweep_file import MOST, BadEnd, SweepFile, Vary

__all__ = ["Candidate", "Change", "Sweep", "read_sweep", "sweep_from"]

_FIXED: Final = frozenset(("name", "kind", "severity", "joint", "channel", "load"))
"""What a limit is; the rest is how it is set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One key of one limit with the value that a candidate gives it."""

    limit: str
    key: str
    value: Any

    def __str__(self) -> str:
        shown = f"{self.value:.6g}" if isinstance(self.value, float) else repr(self.value)
        return f"{self.limit}.{self.key} = {shown}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """The limits that are judged together, each with its changed keys."""

    number: int
    """From 1, in the order of the sweep."""
    changes: tuple[Change, ...]
    limits: tuple[OfJoint, ...]
    """Those that are varied, in the order in which the sweep names them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """What a sweep file says of a limits file."""

    bad_end: BadEnd
    candidates: tuple[Candidate, ...]
    refused: int
    """Combinations that the limits themselves refuse."""
    refusal: str
    """Why the first of them was; empty for none."""
    text: str
    """The sweep file verbatim."""

    @property
    def limits(self) -> tuple[str, ...]:
        """Names of the limits that are judged."""
        return tuple(limit.name for limit in self.candidates[0].limits)


def read_sweep(path: Path, limits: LimitSet) -> Sweep:
    """Return the sweep that a file describes, over some limits.

    Raises
    ------
    InputError
        File, key, found, expected; or no combination is a limit.
    """
    return sweep_from(read_text(path, "sweep file"), limits, str(path))


def sweep_from(text: str, limits: LimitSet, where: str) -> Sweep:
    """Return the sweep of a text; `where` names it in errors.

    Raises
    ------
    InputError
        File, key, found, expected; or no combination is a limit.
    """
    file = checked(SweepFile, read_toml(text, where), where)
    mistakes = [
        f"{where}: vary[{index}].{said}"
        for index, vary in enumerate(file.vary, start=1)
        for said in _misfits(vary, file, limits)
    ]
    if mistakes:
        raise InputError("\n".join(mistakes))
    names = tuple(dict.fromkeys(vary.limit for vary in file.vary))
    known: dict[tuple[tuple[str, Any], ...], OfJoint | str] = {}
    candidates: list[Candidate] = []
    refused, refusal, seen = 0, "", set()
    for values in _combinations(file, where):
        changes = tuple(
            Change(limit=vary.limit, key=vary.key, value=value)
            for vary, value in zip(file.vary, values, strict=True)
        )
        made = [_made(name, changes, file.vary, limits, known) for name in names]
        wrong = next((one for one in made if isinstance(one, str)), None)
        if wrong is not None:
            refused, refusal = refused + 1, refusal or wrong
            continue
        whole = tuple(one for one in made if not isinstance(one, str))
        # Drawn at random, or through an offset, the same may come twice.
        if whole in seen:
            continue
        seen.add(whole)
        candidates.append(
            Candidate(
                number=len(candidates) + 1, changes=_told(changes, names, whole), limits=whole
            )
        )
    if not candidates:
        raise InputError(f"{where}: no combination of these values is a limit. {refusal}")
    return Sweep(
        bad_end=file.bad_end,
        candidates=tuple(candidates),
        refused=refused,
        refusal=refusal,
        text=text,
    )


def _misfits(vary: Vary, file: SweepFile, limits: LimitSet) -> Iterator[str]:
    """Yield what one entry wants that the limits file does not give."""
    limit = limits.named(vary.limit)
    known = [one.name for one in limits.limits]
    if limit is None:
        yield (
            f"limit: found {vary.limit!r}, expected a limit of the limits file."
            f"{nearest(vary.limit, known) or ' It has none.'}"
        )
        return
    if isinstance(limit, OfRecorder):
        yield (
            f"limit: found {vary.limit!r}, a limit on the recorder itself; expected one on the "
            "readings of a joint."
        )
        return
    keys = [key for key in type(limit).model_fields if key not in _FIXED]
    for name, key in (("key", vary.key), ("offset_of", vary.offset_of)):
        if key is not None and key not in keys:
            yield (
                f"{name}: found {key!r}, which {vary.limit!r} (kind {limit.kind!r}) does not have "
                f"or which cannot be varied; expected one of {', '.join(keys)}."
                f"{nearest(key, keys) if nearest(key, keys).startswith(' Did') else ''}"
            )
    twins = [other for other in file.vary if (other.limit, other.key) == (vary.limit, vary.key)]
    if twins[0] is not vary:
        yield f"key: found {vary.key!r} of {vary.limit!r} a second time, expected it once."
    if vary.offset_of == vary.key:
        yield f"offset_of: found {vary.key!r}, the key itself; expected another one."
    if vary.offset_of is not None and not all(_is_number(one) for one in vary.values or ()):
        yield "values: expected numbers beside offset_of: they are added."
    others = {other.key for other in file.vary if other.limit == vary.limit}
    base = getattr(limit, vary.offset_of or vary.key, None)
    if vary.offset_of in keys and vary.offset_of not in others and not _is_number(base):
        yield (
            f"offset_of: found {vary.offset_of!r}, which has no number in {vary.limit!r}; expected "
            "a key that has one."
        )
    chained = any(
        other.limit == vary.limit and other.key == vary.offset_of and other.offset_of is not None
        for other in file.vary
    )
    if chained:
        yield f"offset_of: found {vary.offset_of!r}, which is an offset itself."
    if vary.values is None and file.random is None and vary.steps is None:
        yield "steps: this key is missing; or say [random] with draws and seed."
    if vary.steps is not None and file.random is not None:
        yield "steps: found it beside [random], expected one of the two."


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _combinations(file: SweepFile, where: str) -> Iterator[tuple[Any, ...]]:
    if file.random is not None:
        dice = np.random.default_rng(file.random.seed)
        columns: list[list[Any]] = []
        for vary in file.vary:
            if vary.values is None:
                columns.append(vary.spaced(dice.random(file.random.draws)))
            else:
                chosen = dice.integers(0, len(vary.values), file.random.draws)
                columns.append([vary.values[index] for index in chosen.tolist()])
        yield from zip(*columns, strict=True)
        return
    axes = [
        list(vary.values)
        if vary.values is not None
        else vary.spaced(np.linspace(0.0, 1.0, vary.steps or 2))
        for vary in file.vary
    ]
    count = math.prod(len(axis) for axis in axes)
    if count > MOST:
        raise InputError(
            f"{where}: vary: found {count} combinations, expected at most {MOST}. Take fewer "
            "steps, or [random] with draws and seed."
        )
    yield from itertools.product(*axes)


def _made(
    name: str,
    changes: tuple[Change, ...],
    vary: tuple[Vary, ...],
    limits: LimitSet,
    known: dict[tuple[tuple[str, Any], ...], OfJoint | str],
) -> OfJoint | str:
    """Return a limit with its changed keys, or why its model refuses them."""
    mine = [
        (change, one.offset_of)
        for change, one in zip(changes, vary, strict=True)
        if change.limit == name
    ]
    key = (("", name), *((change.key, change.value) for change, _ in mine))
    if key not in known:
        base = limits.named(name)
        assert base is not None, "_misfits has seen to it"
        assert not isinstance(base, OfRecorder), "_misfits has seen to it"
        table = {**base.told}
        table.update({change.key: change.value for change, of in mine if of is None})
        for change, of in mine:
            if of is not None:
                whole = table.get(of, getattr(base, of))
                table[change.key] = float(f"{whole + change.value:.9g}")
        try:
            known[key] = checked(type(base), table, name)
        except InputError as fault:
            known[key] = str(fault)
    return known[key]


def _told(
    changes: tuple[Change, ...], names: tuple[str, ...], made: tuple[OfJoint, ...]
) -> tuple[Change, ...]:
    """Return the changes with the values that the limits came to have."""
    of = dict(zip(names, made, strict=True))
    return tuple(
        Change(limit=one.limit, key=one.key, value=getattr(of[one.limit], one.key))
        for one in changes
    )
