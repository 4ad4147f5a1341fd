"""Guesses the channel of a signal in a bus description, by its unit and the words of its name.

Each guess comes with its reason, and a signal that unit and name leave open with what is missing:
nothing is guessed in silence. Pure.
"""

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from cantools.database.can import Signal

__all__ = ["SETPOINT_WORDS", "SignalChannel", "guess_channel", "name_words"]

MAX_CODE_BITS: Final = 32
"""Most bits of a fault or state code."""
_UNIT_SPELLINGS: Final = {
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
"""Quantity -> unit in description files, in small letters -> the layout's unit."""
_DEFAULT_UNITS: Final = {
    "temperature": "degC", "current": "A", "torque": "Nm", "speed": "rad_s", "position": "rad",
    "voltage": "V",
}  # fmt: skip
"""The unit of a channel, which a layout need not write."""
_MEASURED_CHANNELS: Final = {
    "current": "current_A", "torque": "torque_Nm", "speed": "speed_rad_s",
    "position": "position_rad", "voltage": "voltage_V",
}  # fmt: skip
_SETPOINT_CHANNELS: Final = {
    "current": "current_setpoint_A", "torque": "torque_setpoint_Nm",
    "speed": "speed_setpoint_rad_s", "position": "position_setpoint_rad",
}  # fmt: skip
SETPOINT_WORDS: Final = {
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
_TEMPERATURE_WORDS: Final = {
    "winding": {"winding", "coil", "stator", "phase"},
    "housing": {"housing", "case", "body", "shell"},
    "drive": {"drive", "inverter", "fet", "mos", "mosfet", "pcb", "board", "chip", "controller",
              "igbt"},
    "ambient": {"ambient", "air", "room"},
}  # fmt: skip
"""Place of a temperature -> words in a signal's name that say so."""
_FAULT_WORDS: Final = {"fault", "faults", "error", "errors", "err"}
_STATE_WORDS: Final = {"state", "status", "mode", "statusword"}


_UNCLEAR_TEMPERATURE: Final = (
    "a temperature, but of what? temperature_winding_degC, _housing_degC, _drive_degC or "
    "_ambient_degC, or another place, such as temperature_bearing_degC"
)


@dataclass(frozen=True, slots=True)
class SignalChannel:
    """The channel of a signal, and why."""

    channel: str | None
    """None where unit and name leave it open; the reason then says what is missing."""
    unit: str | None
    """Unit that the layout writes; None: the channel's own."""
    reason: str
    shared_with: tuple[str, str] | None = None
    """The signal, after its message, that has the channel which this one would have had as well."""


def guess_channel(signal: "Signal") -> SignalChannel:
    """Return the channel of a signal by its unit and name alone."""
    words = set(name_words(signal.name))
    written = (signal.unit or "").strip().lower()
    quantity = next(
        (quantity_name for quantity_name, units in _UNIT_SPELLINGS.items() if written in units),
        None,
    )
    if quantity is None:
        return _guess_code_channel(signal, words)
    unit = _UNIT_SPELLINGS[quantity][written]
    unit_text = None if unit == _DEFAULT_UNITS[quantity] else unit
    if quantity == "temperature":
        part_names = [
            part_name for part_name, part_words in _TEMPERATURE_WORDS.items() if words & part_words
        ]
        if len(part_names) != 1:
            return SignalChannel(None, unit_text, _UNCLEAR_TEMPERATURE)
        return SignalChannel(
            f"temperature_{part_names[0]}_degC",
            unit_text,
            "by its unit, and the place in its name",
        )
    if words & SETPOINT_WORDS:
        channel = _SETPOINT_CHANNELS.get(quantity)
        if channel is None:
            return SignalChannel(None, unit_text, "a setpoint, and no channel holds that")
        return SignalChannel(channel, unit_text, "by its unit; its name says that it is a setpoint")
    return SignalChannel(_MEASURED_CHANNELS[quantity], unit_text, "by its unit")


def _guess_code_channel(signal: "Signal", words: set[str]) -> SignalChannel:
    fits_code = (
        signal.length <= MAX_CODE_BITS
        and not signal.is_float
        and signal.scale == 1
        and signal.offset == 0
        and not signal.unit
    )
    if fits_code and words & _FAULT_WORDS:
        return SignalChannel("fault_code", None, "by its name")
    if fits_code and words & _STATE_WORDS:
        return SignalChannel("state_code", None, "by its name")
    return SignalChannel(None, None, "its unit tells no channel; name one, or remove it")


def name_words(name: str) -> list[str]:
    """Return words and numbers of a name such as MotorTemp_2 or motor_temp, in small letters."""
    return [word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+", name)]
