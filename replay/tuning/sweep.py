"""A sweep: what counts as a bad end, and the candidates to be evaluated.

Makes candidates of the text of a sweep file: the limits of a limits file with some of their keys
changed, over a grid or drawn at random. What the model of a limit refuses (a drop-off beyond the
pick-up) is no candidate; it is counted. Errors name the file, the key, what was found and what was
expected. `read_sweep` reads disk; all else is pure.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import InputError
from logger.limits.limit import AnyJointLimit, LimitSet
from logger.settings_file import did_you_mean, nearest_name, read_text, read_toml, validate_settings
from replay.tuning.sweep_file import MAX_CANDIDATES, BadEnd, SweepFile, Vary

__all__ = ["Candidate", "KeyChange", "Sweep", "parse_sweep", "read_sweep"]

_FIXED_KEYS: Final = frozenset(("name", "kind", "severity", "joint", "channel", "load"))
"""Keys that say what a limit is; all others are settings of it, and can be varied."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyChange:
    """One key of one limit, with its value in a candidate."""

    limit: str
    key: str
    value: Any

    def __str__(self) -> str:
        value_text = f"{self.value:.6g}" if isinstance(self.value, float) else repr(self.value)
        return f"{self.limit}.{self.key} = {value_text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Limits that are evaluated together, each with its changed keys."""

    number: int
    """From 1, in the order of the sweep."""
    changes: tuple[KeyChange, ...]
    limits: tuple[AnyJointLimit, ...]
    """Those that are varied, in the order in which the sweep names them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The candidates that a sweep file makes of a limits file."""

    bad_end: BadEnd
    candidates: tuple[Candidate, ...]
    refused: int
    """Combinations that the model of a limit refuses."""
    refusal: str
    """Why the first of them was; empty for none."""
    text: str
    """The sweep file verbatim."""

    @property
    def limits(self) -> tuple[str, ...]:
        """Names of the limits that are varied."""
        return tuple(limit.name for limit in self.candidates[0].limits)


def read_sweep(path: Path, limits: LimitSet) -> Sweep:
    """Return the sweep that a file describes, over some limits.

    Raises
    ------
    InputError
        File, key, found, expected; or no combination is a limit.
    """
    return parse_sweep(read_text(path, "sweep file"), limits, str(path))


def parse_sweep(text: str, limits: LimitSet, where: str) -> Sweep:
    """Return the sweep of a text; `where` names it in errors.

    Raises
    ------
    InputError
        File, key, found, expected; or no combination is a limit.
    """
    file = validate_settings(SweepFile, read_toml(text, where), where)
    mistakes = [
        f"{where}: vary[{index}].{mistake}"
        for index, vary in enumerate(file.vary, start=1)
        for mistake in _vary_mistakes(vary, file, limits)
    ]
    if mistakes:
        raise InputError("\n".join(mistakes))
    names = tuple(dict.fromkeys(vary.limit for vary in file.vary))
    limit_cache: dict[tuple[tuple[str, Any], ...], AnyJointLimit | str] = {}
    candidates: list[Candidate] = []
    refused, refusal, limits_seen = 0, "", set()
    for values in _combine_values(file, where):
        changes = tuple(
            KeyChange(limit=vary.limit, key=vary.key, value=value)
            for vary, value in zip(file.vary, values, strict=True)
        )
        candidate_limits = [
            _make_limits(name, changes, file.vary, limits, limit_cache) for name in names
        ]
        wrong = next(
            (made_limit for made_limit in candidate_limits if isinstance(made_limit, str)), None
        )
        if wrong is not None:
            refused, refusal = refused + 1, refusal or wrong
            continue
        valid_limits = tuple(
            made_limit for made_limit in candidate_limits if not isinstance(made_limit, str)
        )
        # Random draws, and offsets, may give the same limits twice.
        if valid_limits in limits_seen:
            continue
        limits_seen.add(valid_limits)
        candidates.append(
            Candidate(
                number=len(candidates) + 1,
                changes=_resolve_changes(changes, names, valid_limits),
                limits=valid_limits,
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


def _vary_mistakes(vary: Vary, file: SweepFile, limits: LimitSet) -> Iterator[str]:
    """Yield the mistakes of one entry: what the limits file lacks, or does not fit together."""
    limit = limits.by_name(vary.limit)
    limit_names = [one.name for one in limits.limits]
    if limit is None:
        yield (
            f"limit: found {vary.limit!r}, expected a limit of the limits file."
            f"{did_you_mean(vary.limit, limit_names) or ' It has none.'}"
        )
        return
    if not isinstance(limit, AnyJointLimit):
        yield (
            f"limit: found {vary.limit!r}, a limit on the recorder itself; expected one on the "
            "readings of a joint."
        )
        return
    keys = [key for key in type(limit).model_fields if key not in _FIXED_KEYS]
    for name, key in (("key", vary.key), ("offset_of", vary.offset_of)):
        if key is not None and key not in keys:
            yield (
                f"{name}: found {key!r}, which {vary.limit!r} (kind {limit.kind_name()!r}) does "
                f"not have or which cannot be varied; expected one of {', '.join(keys)}."
                f"{nearest_name(key, keys)}"
            )
    twins = [entry for entry in file.vary if (entry.limit, entry.key) == (vary.limit, vary.key)]
    if twins[0] is not vary:
        yield f"key: found {vary.key!r} of {vary.limit!r} a second time, expected it once."
    if vary.offset_of == vary.key:
        yield f"offset_of: found {vary.key!r}, the key itself; expected another one."
    if vary.offset_of is not None and not all(_is_number(one) for one in vary.values or ()):
        yield "values: expected numbers, since offset_of is given: they are added."
    varied_keys = {entry.key for entry in file.vary if entry.limit == vary.limit}
    base = getattr(limit, vary.offset_of or vary.key, None)
    if vary.offset_of in keys and vary.offset_of not in varied_keys and not _is_number(base):
        yield (
            f"offset_of: found {vary.offset_of!r}, which has no number in {vary.limit!r}; expected "
            "a key that has one."
        )
    chained = any(
        entry.limit == vary.limit and entry.key == vary.offset_of and entry.offset_of is not None
        for entry in file.vary
    )
    if chained:
        yield f"offset_of: found {vary.offset_of!r}, which is an offset itself."
    if vary.values is None and file.random is None and vary.steps is None:
        yield "steps: this key is missing; or say [random] with draws and seed."
    if vary.steps is not None and file.random is not None:
        yield "steps: found it together with [random], expected one of the two."


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _combine_values(file: SweepFile, where: str) -> Iterator[tuple[Any, ...]]:
    if file.random is not None:
        dice = np.random.default_rng(file.random.seed)
        columns: list[list[Any]] = []
        for vary in file.vary:
            if vary.values is None:
                columns.append(vary.values_at(dice.random(file.random.draws)))
            else:
                drawn_indices = dice.integers(0, len(vary.values), file.random.draws)
                columns.append([vary.values[index] for index in drawn_indices.tolist()])
        yield from zip(*columns, strict=True)
        return
    axes = [
        list(vary.values)
        if vary.values is not None
        else vary.values_at(np.linspace(0.0, 1.0, vary.steps or 2))
        for vary in file.vary
    ]
    count = math.prod(len(axis) for axis in axes)
    if count > MAX_CANDIDATES:
        raise InputError(
            f"{where}: vary: found {count} combinations, expected at most {MAX_CANDIDATES}. "
            "Take fewer steps, or [random] with draws and seed."
        )
    yield from itertools.product(*axes)


def _make_limits(
    name: str,
    changes: tuple[KeyChange, ...],
    vary: tuple[Vary, ...],
    limits: LimitSet,
    limit_cache: dict[tuple[tuple[str, Any], ...], AnyJointLimit | str],
) -> AnyJointLimit | str:
    """Return a limit with its changed keys, or why its model refuses them."""
    own_changes = [
        (change, entry.offset_of)
        for change, entry in zip(changes, vary, strict=True)
        if change.limit == name
    ]
    key = (("", name), *((change.key, change.value) for change, _ in own_changes))
    if key not in limit_cache:
        base = limits.by_name(name)
        assert isinstance(base, AnyJointLimit), "_vary_mistakes has seen to it"
        table = {**base.written_keys}
        table.update(
            {change.key: change.value for change, offset_of in own_changes if offset_of is None}
        )
        for change, offset_of in own_changes:
            if offset_of is not None:
                reference = table.get(offset_of, getattr(base, offset_of))
                table[change.key] = float(f"{reference + change.value:.9g}")
        try:
            limit_cache[key] = validate_settings(type(base), table, name)
        except InputError as fault:
            limit_cache[key] = str(fault)
    return limit_cache[key]


def _resolve_changes(
    changes: tuple[KeyChange, ...], names: tuple[str, ...], limits: tuple[AnyJointLimit, ...]
) -> tuple[KeyChange, ...]:
    """Return the changes with the final values of the limits, offsets added."""
    limit_by_name = dict(zip(names, limits, strict=True))
    return tuple(
        KeyChange(
            limit=change.limit,
            key=change.key,
            value=getattr(limit_by_name[change.limit], change.key),
        )
        for change in changes
    )
