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
from logger.joint.bench.identifiers import named
from logger.joint.bench.layout import layout_from
from logger.joint.bench.value import Place
from logger.settings_file import nearest

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

__all__ = ["described", "layout_text", "read_messages", "write_layout"]

CODE_BITS: Final = 32
LONGEST_BITS: Final = 64
LONGEST_BYTES: Final = 64
KINDS_MOST: Final = 256
"""Kinds of frame of one message: multiplexers beside each other multiply."""

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
    names = list(dict.fromkeys(names))
    for wanted in names:
        if wanted not in known:
            raise InputError(
                f"--message: found {wanted!r}, expected a message of {source}."
                f"{nearest(wanted, list(known))}"
            )
    lines = [
        f"# Made from {_one_line(source)}: {', '.join(names)}. Look at every line: which side of "
        "the gear a",
        '# value is of (side), which identifier changes with the node ("0x280 + node"), and what',
        "# stands here as a comment because its name and unit leave it open.",
        "format = 1",
        f"name   = {_quoted(name)}",
    ]
    for wanted in names:
        lines += _frames(known[wanted])
    text = "\n".join(lines) + "\n"
    layout_from(text, f"the layout of {source}")
    return text


def write_layout(out: Path, text: str) -> None:
    """Write a layout into a new file; one that is there stays as it is.

    Raises
    ------
    InputError
        There is such a file, or none can be written there.
    """
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(f"{out}: is there already, and stays; name another with --out.") from None
    except OSError as fault:
        raise InputError(
            f"{out}: cannot be written ({fault.strerror or fault}); name another with --out."
        ) from None


def _frames(message: "Message") -> Iterator[str]:
    """Yield the kinds of frame of a message: one, or one for each value of its multiplexers."""
    signals = {signal.name: signal for signal in message.signals}
    for told_by, held in _kinds(message.name, message.signal_tree, signals):
        yield ""
        yield "[[frame]]"
        label = " ".join([message.name, *(f"{mux.name}={equals}" for mux, equals in told_by)])
        yield f"name       = {_quoted(label)}"
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
        muxes = {mux.name for mux, _ in told_by}
        taken = _Taken(message.length)
        for mux, _ in told_by:
            taken.take(mux)
        for signal in held:
            if signal.name not in muxes:
                yield from _value(signal, taken)


def _kinds(
    message: str, tree: Sequence[Any], signals: "dict[str, Signal]"
) -> "list[tuple[list[tuple[Signal, int]], list[Signal]]]":
    """Return (what tells a kind, its signals) for each: every value of each multiplexer."""
    kinds: list[tuple[list[tuple[Signal, int]], list[Signal]]] = [([], [])]
    for node in tree:
        # A multiplexer that chooses between nothing is a signal like any other.
        (name, branches), *_ = node.items() if isinstance(node, dict) else ((node, {}),)
        choices = [
            ([(signals[name], equals), *told_by], held)
            for equals, branch in branches.items()
            for told_by, held in _kinds(message, branch, signals)
        ] or [([], [signals[name]])]
        if len(kinds) * len(choices) > KINDS_MOST:
            raise InputError(
                f"--message: the multiplexers of {message!r} make "
                f"{len(kinds) * len(choices)} kinds of frame or more, expected at most "
                f"{KINDS_MOST}; write those that you need by hand."
            )
        kinds = [
            ([*told_by, *more], [*held, *too]) for told_by, held in kinds for more, too in choices
        ]
    return kinds


class _Taken:
    """What is mapped in a kind of frame already."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.channels: set[str] = set()
        self._places: dict[tuple[int, int], str] = {}

    def why_not(self, signal: "Signal", channel: str) -> str:
        """Return why a signal cannot be mapped to its channel; empty if it can."""
        places = _bits(signal)
        if not places:
            return f"{signal.length} bits, and a value has at most {LONGEST_BITS}"
        if signal.scale == 0:
            return "its scale is 0: whatever it holds would be the same"
        if max(byte for byte, _ in places) >= self.length:
            return f"it reaches beyond the {self.length} bytes of the frame"
        if channel in self.channels:
            return f"{channel} is taken by another signal of this frame"
        other = next((self._places[place] for place in places if place in self._places), None)
        return "" if other is None else f"it stands on bits of {other}"

    def take(self, signal: "Signal", channel: str = "") -> None:
        """Remember that a signal is mapped, or tells the kind."""
        self.channels.add(channel)
        self._places.update(dict.fromkeys(_bits(signal), signal.name))


def _bits(signal: "Signal") -> tuple[tuple[int, int], ...]:
    """Return the (byte, bit) places of a signal; none for one that no value can be."""
    if signal.length > LONGEST_BITS or signal.start // 8 >= LONGEST_BYTES:
        return ()
    order: Any = "big" if signal.byte_order == "big_endian" else "little"
    byte, bit = divmod(signal.start, 8)
    return Place(byte=byte, bit=bit, bits=signal.length, order=order).places


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


def _value(signal: "Signal", taken: _Taken) -> Iterator[str]:
    channel, unit, reason = _channel(signal)
    if channel is not None:
        why_not = taken.why_not(signal, channel)
        if why_not:
            channel, reason = None, f"not as {channel}, since {why_not}"
        else:
            taken.take(signal, channel)
    mark = "" if channel is not None else "# "
    yield ""
    yield _one_line(
        f"  # {signal.name}{f', in {signal.unit}' if signal.unit else ''}: {reason}", lead=2
    )
    code = channel in {"fault_code", "state_code"}
    # Some files name values that their bits never have.
    lowest = -(1 << (signal.length - 1)) if signal.is_signed else 0
    called = {raw: _one_line(str(word)) for raw, word in (signal.choices or {}).items()}
    names = {
        raw: word
        for raw, word in called.items()
        if word and lowest <= raw < lowest + (1 << signal.length)
    }
    if names and channel is not None and not code:
        said = ", ".join(f"{raw} is {_quoted(word)}" for raw, word in names.items())
        yield _one_line(
            f"  # Some raw values have names: {said}. Which mean: no value? Those into no_value.",
            lead=2,
        )
    yield f"  {mark}[[frame.value]]"
    yield f'  {mark}channel = "{channel or ""}"'
    for key in _place(signal):
        yield f"  {mark}{key}"
    if signal.is_float:
        yield f'  {mark}type = "float"'
    elif signal.is_signed:
        yield f"  {mark}signed = true"
    if not code and signal.scale != 1:
        yield f"  {mark}scale = {float(signal.scale)!r}"
    if not code and signal.offset != 0:
        yield f"  {mark}offset = {float(signal.offset)!r}"
    if unit is not None:
        yield f'  {mark}unit = "{unit}"'
    if names and (code or channel is None):
        words = ", ".join(f"{_quoted(str(raw))} = {_quoted(word)}" for raw, word in names.items())
        yield f"  {mark}names = {{ {words} }}"


def _quoted(text: str) -> str:
    """Return one line as TOML writes it; JSON's pairs of escapes are none of TOML's."""
    return json.dumps(text, ensure_ascii=False)


def _one_line(text: str, *, lead: int = 0) -> str:
    """Return a text without what a comment or a name cannot hold: ends of lines, controls."""
    return " " * lead + " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f]", " ", text).split())


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
