"""A layout from a bus description file, for a person to trim.

The file is read by the cantools library, an optional extra. What a signal's unit and name tell is
mapped to a channel, with the reason beside it; what they leave open stands there as a comment, with
what is missing. Nothing is guessed in silence.
"""

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.errors import InputError
from logger.joint.identifiers import named
from logger.joint.layout import layout_from
from logger.settings_file import nearest

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

__all__ = ["described", "layout_text", "read_messages"]

CODE_BITS: Final = 32
LONGEST_BITS: Final = 64

_UNITS: Final = {
    "temperature": {"degc": "degC", "°c": "degC", "c": "degC", "cel": "degC", "celsius": "degC",
                    "deg c": "degC", "k": "K", "kelvin": "K"},
    "current": {"a": "A", "amp": "A", "amps": "A", "ampere": "A", "ma": "mA"},
    "torque": {"nm": "Nm", "n.m": "Nm", "n·m": "Nm", "n*m": "Nm", "n m": "Nm", "mnm": "mNm"},
    "speed": {"rad/s": "rad_s", "deg/s": "deg_s", "°/s": "deg_s", "rpm": "rpm", "1/min": "rpm",
              "r/min": "rpm", "rev/min": "rpm", "rev/s": "turn_s"},
    "position": {"rad": "rad", "deg": "deg", "°": "deg", "degree": "deg", "degrees": "deg",
                 "rev": "turn", "turn": "turn", "turns": "turn"},
    "voltage": {"v": "V", "volt": "V", "volts": "V", "mv": "mV"},
}  # fmt: skip
"""Quantity -> unit as description files write it, in small letters -> as a layout does."""
_OWN: Final = {
    "temperature": "degC", "current": "A", "torque": "Nm", "speed": "rad_s", "position": "rad",
    "voltage": "V",
}  # fmt: skip
"""The unit that needs not be written."""
_CHANNELS: Final = {
    "current": "current_A", "torque": "torque_Nm", "speed": "speed_rad_s",
    "position": "position_rad", "voltage": "voltage_V",
}  # fmt: skip
_SETPOINTS: Final = {
    "current": "current_setpoint_A", "torque": "torque_setpoint_Nm",
    "speed": "speed_setpoint_rad_s", "position": "position_setpoint_rad",
}  # fmt: skip
_ASKED: Final = {
    "cmd",
    "command",
    "target",
    "ref",
    "reference",
    "setpoint",
    "demand",
    "desired",
    "request",
}
_PLACES: Final = {
    "winding": {"winding", "coil", "stator", "phase"},
    "housing": {"housing", "case", "body", "shell"},
    "drive": {"drive", "inverter", "fet", "mos", "mosfet", "pcb", "board", "chip", "controller",
              "igbt"},
    "ambient": {"ambient", "air", "room"},
}  # fmt: skip
"""Where a temperature sits -> words of a signal's name that say so."""
_FAULTS: Final = {"fault", "faults", "error", "errors", "err"}
_STATES: Final = {"state", "status", "mode", "statusword"}


_WHICH_TEMPERATURE: Final = (
    "a temperature, but of what? temperature_winding_degC, _housing_degC, _drive_degC or "
    "_ambient_degC"
)


def read_messages(path: Path) -> "list[Message]":
    """Return the messages that a bus description file describes.

    Raises
    ------
    InputError
        cantools is not installed, or cannot read the file.
    """
    try:
        import cantools  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise InputError(
            "layout from: bus description files are read by the cantools library, which is not "
            'installed; expected it: pip install "dutytrace[descriptions]".'
        ) from None
    if not path.is_file():
        raise InputError(f"{path}: there is no such bus description file.")
    try:
        database: Any = cantools.database.load_file(path, strict=False)
    except Exception as fault:  # noqa: BLE001 - its parsers raise whatever they meet
        reason = " ".join(str(fault).split())
        raise InputError(
            f"{path}: cantools cannot read it as a bus description ({reason})."
        ) from None
    messages = getattr(database, "messages", None)
    if not messages:
        raise InputError(f"{path}: found no message in it.")
    return list(messages)


def described(messages: "Sequence[Message]") -> list[tuple[str, str, int, list[str]]]:
    """Return name, identifier, bytes and signals of each message."""
    return [
        (
            one.name,
            named(one.frame_id, extended=one.is_extended_frame),
            one.length,
            [signal.name for signal in one.signals],
        )
        for one in messages
    ]


def layout_text(
    messages: "Sequence[Message]", names: Sequence[str], *, name: str, source: str
) -> str:
    """Return a layout file of the named messages.

    Raises
    ------
    InputError
        There is no message of a name.
    """
    known = {one.name: one for one in messages}
    for wanted in names:
        if wanted not in known:
            raise InputError(
                f"--message: found {wanted!r}, expected a message of {source}."
                f"{nearest(wanted, list(known))}"
            )
    lines = [
        f"# Made from {source}: {', '.join(names)}. Look at every line: which side of the gear a",
        '# value is of (side), which identifier changes with the node ("0x280 + node"), and what',
        "# stands here as a comment because its name and unit leave it open.",
        "format = 1",
        f"name   = {json.dumps(name)}",
    ]
    for wanted in names:
        lines += _frames(known[wanted])
    text = "\n".join(lines) + "\n"
    layout_from(text, f"the layout of {source}")
    return text


def _frames(message: "Message") -> Iterator[str]:
    """Yield the kinds of frame of a message: one, or one for each value of its multiplexer."""
    signals = {signal.name: signal for signal in message.signals}
    for told_by, held in _kinds(message.signal_tree, signals):
        yield ""
        yield "[[frame]]"
        label = " ".join([message.name, *(f"{mux.name}={equals}" for mux, equals in told_by)])
        yield f"name       = {json.dumps(label)}"
        yield f'identifier = "0x{message.frame_id:X}"'
        if message.is_extended_frame:
            yield "extended   = true"
        yield f"length     = {message.length}"
        if message.cycle_time:
            yield f"period_s   = {message.cycle_time / 1000:g}"
        if told_by:
            fields = ", ".join(
                f"{{ {', '.join(_place(mux))}, equals = {equals} }}" for mux, equals in told_by
            )
            yield f"match      = [{fields}]"
        taken: set[str] = set()
        muxes = {mux.name for mux, _ in told_by}
        for signal in held:
            if signal.name not in muxes:
                yield from _value(signal, taken)


def _kinds(
    tree: Sequence[Any], signals: "dict[str, Signal]"
) -> "list[tuple[list[tuple[Signal, int]], list[Signal]]]":
    """Return (what tells a kind, its signals) for each; of two multiplexers the first counts."""
    plain = [signals[node] for node in tree if isinstance(node, str)]
    muxes = [node for node in tree if isinstance(node, dict)]
    if not muxes:
        return [([], plain)]
    (name, branches), *_ = muxes[0].items()
    kinds = []
    for equals, branch in branches.items():
        for told_by, held in _kinds(branch, signals):
            kinds.append(([(signals[name], equals), *told_by], [*plain, *held]))
    return kinds


def _place(signal: "Signal") -> list[str]:
    """Return where a signal stands; its start is the first bit in the layout's sense for both."""
    keys = [f"byte = {signal.start // 8}"]
    big = signal.byte_order == "big_endian"
    if signal.start % 8 != (7 if big else 0):
        keys.append(f"bit = {signal.start % 8}")
    keys.append(f"bits = {signal.length}")
    if big:
        keys.append('order = "big"')
    return keys


def _value(signal: "Signal", taken: set[str]) -> Iterator[str]:
    channel, unit, reason = _channel(signal)
    if channel in taken:
        channel, reason = None, f"{channel} is taken by another signal of this frame"
    if channel is not None:
        taken.add(channel)
    mark = "" if channel is not None else "# "
    about = f"{signal.name}{f', in {signal.unit}' if signal.unit else ''}: {reason}"
    yield ""
    yield f"  # {' '.join(about.split())}"
    yield f"  {mark}[[frame.value]]"
    yield f'  {mark}channel = "{channel or ""}"'
    for key in _place(signal):
        yield f"  {mark}{key}"
    if signal.is_float:
        yield f'  {mark}type = "float"'
    elif signal.is_signed:
        yield f"  {mark}signed = true"
    code = channel in {"fault_code", "state_code"}
    if not code and signal.scale != 1:
        yield f"  {mark}scale = {float(signal.scale)!r}"
    if not code and signal.offset != 0:
        yield f"  {mark}offset = {float(signal.offset)!r}"
    if unit is not None:
        yield f'  {mark}unit = "{unit}"'
    if signal.choices and (code or channel is None):
        # Some files name values that their bits never have.
        lowest = -(1 << (signal.length - 1)) if signal.is_signed else 0
        names = ", ".join(
            f"{json.dumps(str(raw))} = {json.dumps(str(word))}"
            for raw, word in signal.choices.items()
            if lowest <= raw < lowest + (1 << signal.length)
        )
        yield f"  {mark}names = {{ {names} }}"


def _channel(signal: "Signal") -> tuple[str | None, str | None, str]:
    """Return channel, unit (None: the channel's own) and why, or what is missing."""
    words = _words(signal.name)
    written = (signal.unit or "").strip().lower()
    quantity = next((one for one, units in _UNITS.items() if written in units), None)
    if quantity is None:
        return _code(signal, words)
    unit = _UNITS[quantity][written]
    shown = None if unit == _OWN[quantity] else unit
    if quantity == "temperature":
        places = [place for place, said in _PLACES.items() if words & said]
        if len(places) != 1:
            return None, shown, _WHICH_TEMPERATURE
        return f"temperature_{places[0]}_degC", shown, "by its unit, and the place in its name"
    if words & _ASKED:
        channel = _SETPOINTS.get(quantity)
        if channel is None:
            return None, shown, "asked of the joint, and no channel holds that"
        return channel, shown, "by its unit; its name says that it is asked of the joint"
    return _CHANNELS[quantity], shown, "by its unit"


def _code(signal: "Signal", words: set[str]) -> tuple[str | None, str | None, str]:
    fits = (
        signal.length <= CODE_BITS
        and not signal.is_float
        and signal.scale == 1
        and signal.offset == 0
        and not signal.unit
    )
    if fits and words & _FAULTS:
        return "fault_code", None, "by its name"
    if fits and words & _STATES:
        return "state_code", None, "by its name"
    return None, None, "its unit tells no channel; name one, or remove it"


def _words(name: str) -> set[str]:
    """Return the words of a name such as MotorTemp_2 or motor_temp, in small letters."""
    return {word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", name)}
