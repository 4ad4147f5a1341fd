"""Makes a layout from a bus description file, for a person to edit.

The file is read by the cantools library, an optional extra. A signal is mapped to a channel by its
unit and name, with the reason in a comment; one that they leave open is written as a comment, with
what is missing. Nothing is guessed in silence.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.errors import InputError
from logger.joint.bench.identifiers import format_id
from logger.joint.bench.layout import parse_layout
from logger.joint.bench.value import BitPosition
from logger.joint.channels import channel_named
from logger.layout_tools.channel_guess import SignalChannel, guess_channel
from logger.layout_tools.channel_places import (
    SignalKey,
    assign_channels,
    shared_channel_notices,
)
from logger.settings_file import did_you_mean

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

__all__ = [
    "describe_messages",
    "layout_file_text",
    "read_messages",
    "shared_channels",
    "write_layout_file",
]

MAX_VALUE_BITS: Final = 64
MAX_MESSAGE_BYTES: Final = 64
MAX_FRAME_KINDS: Final = 256
"""Most kinds of frame of one message: independent multiplexers multiply."""


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
        error_text = " ".join(str(fault).split())
        raise InputError(
            f"{path}: cantools cannot read it as a bus description ({error_text})."
        ) from None
    messages = getattr(database, "messages", None)
    if not messages:
        raise InputError(f"{path}: found no message in it.")
    return list(messages)


def describe_messages(messages: "Sequence[Message]") -> list[tuple[str, str, int, list[str]]]:
    """Return name, identifier, bytes and signals of each message."""
    return [
        (
            message.name,
            format_id(message.frame_id, extended=message.is_extended_frame),
            message.length,
            [signal.name for signal in message.signals],
        )
        for message in messages
    ]


def layout_file_text(
    messages: "Sequence[Message]", names: Sequence[str], *, name: str, source: str
) -> str:
    """Return a layout file of the named messages.

    Raises
    ------
    InputError
        There is no message of a name.
    """
    chosen = _chosen_messages(messages, names, source=source)
    channels = _channels_of(chosen)
    taken = ", ".join(message.name for message in chosen)
    lines = [
        f"# Made from {_single_line(source)}: {taken}. Look at every line: which side of the gear",
        '# a value is of (side), which identifier changes with the node ("0x280 + node"), and what',
        "# stands here as a comment because its name and unit leave it open.",
        "format = 1",
        f"name   = {_toml_string(name)}",
    ]
    for message in chosen:
        lines += _frame_tables(message, channels)
    text = "\n".join(lines) + "\n"
    parse_layout(text, f"the layout of {source}")
    return text


def shared_channels(messages: "Sequence[Message]", names: Sequence[str]) -> list[str]:
    """Return a sentence for each channel that several signals of the messages would have had."""
    return list(shared_channel_notices(_channels_of(_chosen_messages(messages, names, source=""))))


def _chosen_messages(
    messages: "Sequence[Message]", names: Sequence[str], *, source: str
) -> "list[Message]":
    messages_by_name = {message.name: message for message in messages}
    for name in names:
        if name not in messages_by_name:
            raise InputError(
                f"--message: found {name!r}, expected a message of {source}."
                f"{did_you_mean(name, list(messages_by_name))}"
            )
    return [messages_by_name[name] for name in dict.fromkeys(names)]


def _channels_of(messages: "Sequence[Message]") -> dict[SignalKey, SignalChannel]:
    """Return the channel of each signal that can be a value at all."""
    return assign_channels(
        (message.name, signal)
        for message in messages
        for signal in message.signals
        if not signal.is_multiplexer and not _value_fault(signal, message.length)
    )


def write_layout_file(out: Path, text: str) -> None:
    """Write a layout into a new file; an existing file is not overwritten.

    Raises
    ------
    InputError
        The file exists, or cannot be written.
    """
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(
            f"{out}: this file exists and is not overwritten; name another with --out."
        ) from None
    except OSError as fault:
        raise InputError(
            f"{out}: cannot be written ({fault.strerror or fault}); name another with --out."
        ) from None


def _frame_tables(message: "Message", channels: Mapping[SignalKey, SignalChannel]) -> Iterator[str]:
    """Yield the kinds of frame of a message: one, or one for each value of its multiplexers."""
    signals = {signal.name: signal for signal in message.signals}
    for selectors, plain_signals in _multiplexed_kinds(message.name, message.signal_tree, signals):
        yield ""
        yield "[[frame]]"
        label = " ".join([message.name, *(f"{mux.name}={equals}" for mux, equals in selectors)])
        yield f"name       = {_toml_string(label)}"
        yield f'identifier = "0x{message.frame_id:X}"'
        if message.is_extended_frame:
            yield "extended   = true"
        yield f"length     = {message.length}"
        if message.cycle_time:
            yield f"period_s   = {message.cycle_time / 1000:g}"
        if selectors:
            fields = ", ".join(
                f"{{ {', '.join(_position_keys(mux))}, equals = {equals} }}"
                for mux, equals in selectors
            )
            yield f"match      = [{fields}]"
        multiplexers = {mux.name for mux, _ in selectors}
        used_channels = _UsedChannels(message.length)
        for mux, _ in selectors:
            used_channels.mark_used(mux)
        for signal in plain_signals:
            if signal.name not in multiplexers:
                given = channels.get((message.name, signal.name)) or guess_channel(signal)
                yield from _value_table(signal, given, used_channels)


def _multiplexed_kinds(
    message: str, tree: Sequence[Any], signals: "dict[str, Signal]"
) -> "list[tuple[list[tuple[Signal, int]], list[Signal]]]":
    """Return (selectors, signals) for each kind of frame: every value of each multiplexer.

    `selectors`: the multiplexer signals and their values by which the kind is recognised.
    """
    kinds: list[tuple[list[tuple[Signal, int]], list[Signal]]] = [([], [])]
    for node in tree:
        # A multiplexer that chooses between nothing is a signal like any other.
        (name, branches), *_ = node.items() if isinstance(node, dict) else ((node, {}),)
        choices = [
            ([(signals[name], equals), *selectors], plain_signals)
            for equals, branch in branches.items()
            for selectors, plain_signals in _multiplexed_kinds(message, branch, signals)
        ] or [([], [signals[name]])]
        if len(kinds) * len(choices) > MAX_FRAME_KINDS:
            raise InputError(
                f"--message: the multiplexers of {message!r} make "
                f"{len(kinds) * len(choices)} kinds of frame or more, expected at most "
                f"{MAX_FRAME_KINDS}; write those that you need by hand."
            )
        kinds = [
            ([*selectors, *more_selectors], [*plain_signals, *more_signals])
            for selectors, plain_signals in kinds
            for more_selectors, more_signals in choices
        ]
    return kinds


class _UsedChannels:
    """The channels and bits of a kind of frame that are mapped already."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.channels: set[str] = set()
        self._signal_at: dict[tuple[int, int], str] = {}

    def mapping_conflict(self, signal: "Signal", channel: str) -> str:
        """Return why a signal cannot be mapped to its channel; empty if it can."""
        if fault := _value_fault(signal, self.length):
            return fault
        if channel in self.channels:
            return f"{channel} is taken by another signal of this frame"
        other_signal = next(
            (
                self._signal_at[bit_place]
                for bit_place in _signal_bits(signal)
                if bit_place in self._signal_at
            ),
            None,
        )
        return "" if other_signal is None else f"it overlaps bits of {other_signal}"

    def mark_used(self, signal: "Signal", channel: str = "") -> None:
        """Mark a signal as mapped to a channel, or as a selector of the kind (no channel)."""
        self.channels.add(channel)
        self._signal_at.update(dict.fromkeys(_signal_bits(signal), signal.name))


def _value_fault(signal: "Signal", length: int) -> str:
    """Return why a signal can be no value in a frame of so many bytes; empty if it can."""
    bit_places = _signal_bits(signal)
    if not bit_places:
        return f"{signal.length} bits, and a value has at most {MAX_VALUE_BITS}"
    if signal.scale == 0:
        return "its scale is 0: all its values would be the same"
    if max(byte for byte, _ in bit_places) >= length:
        return f"it reaches beyond the {length} bytes of the frame"
    return ""


def _signal_bits(signal: "Signal") -> tuple[tuple[int, int], ...]:
    """Return (byte, bit) of each bit of a signal; () for one that is too long for a value."""
    if signal.length > MAX_VALUE_BITS or signal.start // 8 >= MAX_MESSAGE_BYTES:
        return ()
    order: Any = "big" if signal.byte_order == "big_endian" else "little"
    byte, bit = divmod(signal.start, 8)
    return BitPosition(byte=byte, bit=bit, bits=signal.length, order=order).bit_places


def _position_keys(signal: "Signal") -> list[str]:
    """Return the layout's keys for the position of a signal.

    cantools' start bit is the layout's first bit in both byte orders: the least significant bit for
    "little", the most significant for "big".
    """
    keys = [f"byte = {signal.start // 8}"]
    big = signal.byte_order == "big_endian"
    if signal.start % 8 != (7 if big else 0):
        keys.append(f"bit = {signal.start % 8}")
    keys.append(f"bits = {signal.length}")
    if big:
        keys.append('order = "big"')
    return keys


def _value_table(
    signal: "Signal", given: SignalChannel, used_channels: _UsedChannels
) -> Iterator[str]:
    channel, unit, reason = given.channel, given.unit, given.reason
    if channel is not None:
        conflict = used_channels.mapping_conflict(signal, channel)
        if conflict:
            channel, reason = None, f"not as {channel}, since {conflict}"
        else:
            used_channels.mark_used(signal, channel)
    comment_mark = "" if channel is not None else "# "
    yield ""
    yield _single_line(
        f"  # {signal.name}{f', in {signal.unit}' if signal.unit else ''}: {reason}", lead=2
    )
    code = channel is not None and channel_named(channel).whole
    # Some files name values that their bits never have.
    lowest = -(1 << (signal.length - 1)) if signal.is_signed else 0
    code_names = {
        raw: _single_line(str(code_word)) for raw, code_word in (signal.choices or {}).items()
    }
    names = {
        raw: code_word
        for raw, code_word in code_names.items()
        if code_word and lowest <= raw < lowest + (1 << signal.length)
    }
    if names and channel is not None and not code:
        names_text = ", ".join(
            f"{raw} is {_toml_string(code_word)}" for raw, code_word in names.items()
        )
        yield _single_line(
            f"  # Some raw values have names: {names_text}. Which mean: no value? Those into "
            "no_value.",
            lead=2,
        )
    yield f"  {comment_mark}[[frame.value]]"
    yield f'  {comment_mark}channel = "{channel or ""}"'
    for key in _position_keys(signal):
        yield f"  {comment_mark}{key}"
    if signal.is_float:
        yield f'  {comment_mark}type = "float"'
    elif signal.is_signed:
        yield f"  {comment_mark}signed = true"
    if not code and signal.scale != 1:
        yield f"  {comment_mark}scale = {float(signal.scale)!r}"
    if not code and signal.offset != 0:
        yield f"  {comment_mark}offset = {float(signal.offset)!r}"
    if unit is not None:
        yield f'  {comment_mark}unit = "{unit}"'
    if names and (code or channel is None):
        words = ", ".join(
            f"{_toml_string(str(raw))} = {_toml_string(code_word)}"
            for raw, code_word in names.items()
        )
        yield f"  {comment_mark}names = {{ {words} }}"


def _toml_string(text: str) -> str:
    """Return a TOML string: as in JSON, but without its surrogate pairs, which TOML lacks."""
    return json.dumps(text, ensure_ascii=False)


def _single_line(text: str, *, lead: int = 0) -> str:
    """Return a text without line ends and control characters, for a comment or a name."""
    return " " * lead + " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f]", " ", text).split())
