"""A column of a table on its way into a channel: the column itself, or an expression of it.

    torque_Nm = "kg * 9.80665 * 0.344"
    torque_Nm = "load [kg] * 9.80665 [m/s2] * 344 [mm]"

Numbers, `+ - * /`, parentheses and the name of one column, in quotes where it is no plain word. A
unit in brackets may follow the column or a number. Where one does, everything is held against the
channel's unit and converted to it: what has none is a pure number, or in the unit of what it is
added to. Where none does, the numbers are taken at their word, and only a column whose name states
another unit than the channel's (`load_kg`, `Load (kg)`) is not stored as it is. Pure; nothing of
the text is ever executed.
"""

import ast
import math
import re
import warnings
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pint
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.channels import channel_named
from logger.joint.units import (
    channel_unit,
    is_same_kind,
    parse_unit,
    unit_in_name,
    unit_registry,
)
from logger.settings_file import did_you_mean

__all__ = ["ColumnExpression", "parse_column_expression"]

MAX_LENGTH: Final = 300
_BRACKETS: Final = re.compile(r""""[^"]*"|'[^']*'|\[([^\[\]]*)\]""")
_GRAMMAR: Final = "numbers, + - * / ( ), the name of one column, and units such as [kg] behind them"

Value = Any
"""An array, a number, or a quantity of pint."""


class _Fault(ValueError):
    """What is wrong, and at which character from 0."""

    def __init__(self, position: int, sentence: str) -> None:
        self.position = position
        self.sentence = sentence
        super().__init__(sentence)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnExpression:
    """How the values of one channel come from one column."""

    text: str
    channel: str
    column: str
    remark: str = ""
    """What cannot be checked about it, a sentence; "": nothing."""
    _tree: ast.expr | None = None
    """None: the column as it is."""
    _units: dict[int, str] | None = None
    _plain: str = ""
    """The text as it was parsed: of as many characters, its units blanked."""

    def convert(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the channel's values of n values of the column; what is no finite number is NaN.

        Shape (n,) both; in the channel's unit.
        """
        if self._tree is None:
            return values
        with np.errstate(all="ignore"):
            made = _in_channel_unit(
                _Evaluation(self._plain, self.channel, self._units or {}, values), self._tree
            )
        result = np.broadcast_to(np.asarray(made, np.float64), values.shape) + 0.0
        result[~np.isfinite(result)] = np.nan
        return result


def parse_column_expression(
    text: str, *, channel: str, columns: Collection[str], where: str
) -> ColumnExpression:
    """Return what a text means for the columns of a table.

    Parameters
    ----------
    columns
        All names of the table's columns.
    where
        The option or key that the text stands in, for errors.

    Raises
    ------
    InputError
        It is no expression, names no column of the table or several, or is of another dimension
        than the channel; with the position, counted in characters from 1.
    """
    text = text.strip()
    tree: ast.expr | None = None
    units: dict[int, str] = {}
    column = plain = text
    try:
        if text not in columns:
            tree, units, plain = _parse(text)
            _check_nodes(text, plain, tree, units)
            column = _only_column(plain, tree, columns)
            if isinstance(tree, ast.Name | ast.Constant):
                tree = None
        expression = ColumnExpression(
            text=text, channel=channel, column=column, _tree=tree, _units=units, _plain=plain
        )
        remark = _check_units(expression)
    except _Fault as fault:
        at = f"character {fault.position + 1}: " if fault.position >= 0 else ""
        raise InputError(f"{where}: {channel} = {text!r}: {at}{fault.sentence}") from None
    return replace(expression, remark=remark)


def _parse(text: str) -> tuple[ast.expr, dict[int, str], str]:
    """Return the syntax tree, the units by the position of their brackets, and what was parsed."""
    if len(text) > MAX_LENGTH:
        raise _Fault(MAX_LENGTH, f"found {len(text)} characters, expected at most {MAX_LENGTH}.")
    units: dict[int, str] = {}

    def blank_unit(found: "re.Match[str]") -> str:
        if found[1] is None:
            return found[0]
        units[found.start() + 1] = found[1]
        # As many characters as before, so that positions stay; what a unit may hold is not Python.
        return f"[{'0' * len(found[1])}]" if found[1] else "[]"

    plain = _BRACKETS.sub(blank_unit, text)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return ast.parse(plain, mode="eval").body, units, plain
    except SyntaxError as fault:
        position = min(fault.offset - 1, len(text)) if fault.offset else len(text)
        found = repr(text[position : position + 12]) if text[position:] else "its end"
        raise _Fault(position, f"found {found}, expected {_GRAMMAR}.") from None
    except (ValueError, MemoryError, RecursionError):
        raise _Fault(0, f"found what is no expression, expected {_GRAMMAR}.") from None


def _position(plain: str, node: ast.AST) -> int:
    """Return where a node begins, in characters: the tree counts bytes."""
    offset = getattr(node, "col_offset", 0)
    return len(plain.encode()[:offset].decode(errors="ignore"))


def _names(tree: ast.expr) -> Iterator[tuple[ast.expr, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            yield node, node.id
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node, node.value


def _only_column(plain: str, tree: ast.expr, columns: Collection[str]) -> str:
    named = list(_names(tree))
    for node, name in named:
        if name not in columns:
            raise _Fault(
                _position(plain, node),
                f"found no column {name!r}.{did_you_mean(name, list(columns))}",
            )
        if name != named[0][1]:
            raise _Fault(
                _position(plain, node),
                f"found {name!r} beside {named[0][1]!r}, expected one column.",
            )
    if not named:
        raise _Fault(0, f"found no column. Known: {', '.join(sorted(columns))}")
    return named[0][1]


def _check_nodes(text: str, plain: str, tree: ast.expr, units: dict[int, str]) -> None:
    """Refuse whatever is not of the grammar."""
    match tree:
        case ast.BinOp(op=ast.Add() | ast.Sub() | ast.Mult() | ast.Div()):
            _check_nodes(text, plain, tree.left, units)
            _check_nodes(text, plain, tree.right, units)
        case ast.BinOp():
            end = len(plain.encode()[: tree.left.end_col_offset].decode(errors="ignore"))
            operator = text[end:].lstrip(" )")
            raise _Fault(
                len(text) - len(operator), f"found {operator[:12]!r}, expected {_GRAMMAR}."
            )
        case ast.UnaryOp(op=ast.UAdd() | ast.USub()):
            _check_nodes(text, plain, tree.operand, units)
        case ast.Subscript(value=ast.Name() | ast.Constant()):
            _check_nodes(text, plain, tree.value, units)
            place = _position(plain, tree.slice)
            try:
                parse_unit(units.get(place, ""))
            except ValueError:
                raise _Fault(
                    place, f"found {units.get(place, '')!r}, expected a unit such as kg or m/s2."
                ) from None
        case ast.Name():
            pass
        case ast.Constant(value=bool()):
            raise _Fault(_position(plain, tree), f"found {tree.value!r}, expected {_GRAMMAR}.")
        case ast.Constant(value=str()):
            pass
        case ast.Constant(value=int() | float()) if _is_finite(tree.value):
            pass
        case _:
            begin = _position(plain, tree)
            end = len(plain.encode()[: tree.end_col_offset].decode(errors="ignore"))
            raise _Fault(begin, f"found {text[begin:end]!r}, expected {_GRAMMAR}.")


def _is_finite(number: object) -> bool:
    try:
        return math.isfinite(float(number))  # type: ignore[arg-type]
    except OverflowError:
        return False


def _check_units(expression: ColumnExpression) -> str:
    """Hold an expression against its channel's unit; return what cannot be checked.

    Raises
    ------
    _Fault
        It is in another unit.
    """
    tree, channel = expression._tree, expression.channel
    if tree is not None and any(isinstance(node, ast.Subscript) for node in ast.walk(tree)):
        expression.convert(np.ones(1))
        return ""
    named = unit_in_name(expression.column, channel)
    own = channel_named(channel).of
    if not named or named == own.unit:
        return ""
    unit = _named_unit(named, channel)
    if unit == channel_unit(channel):
        return ""
    if tree is not None and any(isinstance(node, ast.Mult | ast.Div) for node in ast.walk(tree)):
        return (
            f"{channel} = {expression.text}: made of {named} by numbers without units, so it could "
            "not be checked that the result is in "
            f"{own.ucum}; write units behind them in brackets to have it checked."
        )
    quoted = expression.column if expression.column.isidentifier() else f'"{expression.column}"'
    if is_same_kind(unit, channel_unit(channel)):
        hint = f"Write {quoted} [{named}] to have it converted"
    elif own.name == "torque" and is_same_kind(unit, unit_registry().Unit("kg")):
        hint = (
            f"Write {quoted} [{named}] * 9.80665 [m/s2] * 0.344 [m], with the length of the lever"
        )
    else:
        hint = "Say with units in brackets how it is converted"
    raise _Fault(
        -1,
        f"found a column whose name says {named}, expected {own.ucum}. {hint}, or its right unit "
        f"in brackets, {quoted} [{own.ucum if own.ucum != '1' else 'percent'}].",
    )


def _named_unit(named: str, channel: str) -> pint.Unit:
    # An acceleration in g is one in standard gravity; elsewhere a g is a gram.
    if named == "g" and channel_named(channel).quantity == "acceleration":
        return unit_registry().Unit("standard_gravity")
    return parse_unit(named)


@dataclass(frozen=True, slots=True)
class _Evaluation:
    """What a tree is evaluated with."""

    plain: str
    channel: str
    units: dict[int, str]
    values: NDArray[np.float64]

    @property
    def has_units(self) -> bool:
        return bool(self.units)


def _in_channel_unit(at: _Evaluation, tree: ast.expr) -> Value:
    made = _evaluate(at, tree)
    if not at.has_units:
        return made
    unit, registry = channel_unit(at.channel), unit_registry()
    quantity = made if isinstance(made, pint.Quantity) else registry.Quantity(made, "")
    try:
        return quantity.to(unit).magnitude
    except pint.DimensionalityError:
        raise _Fault(
            -1,
            f"found what comes out in {quantity.units:~C}, expected "
            f"{channel_named(at.channel).of.ucum}."
            if not quantity.dimensionless
            else f"found what comes out as a pure number, expected "
            f"{channel_named(at.channel).of.ucum}.",
        ) from None


def _evaluate(at: _Evaluation, node: ast.expr) -> Value:
    if isinstance(node, ast.BinOp):
        left, right = _evaluate(at, node.left), _evaluate(at, node.right)
        try:
            return _combined(node.op, left, right)
        except (pint.DimensionalityError, pint.OffsetUnitCalculusError) as fault:
            raise _Fault(
                _position(at.plain, node.right),
                f"found units that do not go together here ({str(fault).rstrip('.')}).",
            ) from None
        except ZeroDivisionError:
            raise _Fault(_position(at.plain, node.right), "found a division by zero.") from None
    if isinstance(node, ast.UnaryOp):
        value = _evaluate(at, node.operand)
        return -value if isinstance(node.op, ast.USub) else value
    if isinstance(node, ast.Subscript):
        unit = parse_unit(at.units[_position(at.plain, node.slice)])
        value = at.values if _is_column(node.value) else float(node.value.value)  # type: ignore[attr-defined]
        return unit_registry().Quantity(value, unit)
    if _is_column(node):
        name = node.id if isinstance(node, ast.Name) else node.value  # type: ignore[attr-defined]
        named = unit_in_name(name, at.channel) if at.has_units else ""
        if named:
            return unit_registry().Quantity(at.values, _named_unit(named, at.channel))
        return at.values
    return float(node.value)  # type: ignore[attr-defined]


def _is_column(node: ast.expr) -> bool:
    return isinstance(node, ast.Name) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _combined(operator: ast.operator, left: Value, right: Value) -> Value:
    if isinstance(operator, ast.Mult):
        return left * right
    if isinstance(operator, ast.Div):
        return left / right
    # What is added to a quantity and has no unit is in that quantity's.
    quantity = isinstance(left, pint.Quantity), isinstance(right, pint.Quantity)
    sign = 1.0 if isinstance(operator, ast.Add) else -1.0
    if quantity == (True, False):
        return unit_registry().Quantity(left.magnitude + sign * right, left.units)
    if quantity == (False, True):
        return unit_registry().Quantity(left + sign * right.magnitude, right.units)
    return left + sign * right
