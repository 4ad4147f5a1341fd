"""Gives each signal of a bus description a channel of its own: where several would be one, a place.

A drive's actual torque, its sensor's and its limit are all in N.m; on one channel the values of
three would follow each other. One is the joint's own, the others get a place from their names, and
each says so. Pure.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from logger.joint.channels import channel_named, channel_of_quantity, is_channel
from logger.layout_tools.channel_guess import (
    SETPOINT_WORDS,
    SignalChannel,
    guess_channel,
    name_words,
)

if TYPE_CHECKING:
    from cantools.database.can import Signal

__all__ = ["SignalKey", "assign_channels", "shared_channel_notices"]

SignalKey = tuple[str, str]
"""Name of a message, and of a signal in it."""

_OWN_WORDS: Final = {"actual", "act", "measured", "meas", "feedback"}
_BOUND_WORDS: Final = {"limit", "lim", "max", "maximum", "min", "minimum", "threshold", "rated"}
_IDLE_WORDS: Final = {
    *("value", "val", "signal", "sig", "raw", "code"),
    *("temperature", "temp", "current", "curr", "torque", "trq", "speed", "velocity", "vel"),
    *("position", "pos", "angle", "voltage", "volt", "fault", "error", "err", "state", "status"),
}
"""Words of a signal's name that tell no place."""


def assign_channels(
    signals: "Iterable[tuple[str, Signal]]",
) -> dict[SignalKey, SignalChannel]:
    """Return the channel of each signal, given with the name of its message; no two share one."""
    given = {(message, signal.name): guess_channel(signal) for message, signal in signals}
    groups: dict[str, list[SignalKey]] = {}
    for key, guess in given.items():
        if guess.channel is not None:
            groups.setdefault(guess.channel, []).append(key)
    taken = set(groups)
    for channel, keys in groups.items():
        ranked = sorted(keys, key=_rank)
        own = None if _is_bound(ranked[0]) else ranked[0]
        for key in ranked if own is None else ranked[1:]:
            separate = next(
                (name for name in _names_with_place(channel, key) if name not in taken), None
            )
            given[key] = replace(
                given[key],
                channel=separate,
                reason=_separation_reason(channel, separate, key, own),
                shared_with=own,
            )
            taken |= {separate} if separate else set()
    return given


def shared_channel_notices(channels: Mapping[SignalKey, SignalChannel]) -> Iterator[str]:
    """Yield a sentence for each channel that several signals would have had."""
    groups: dict[SignalKey, list[SignalKey]] = {}
    for key, given in channels.items():
        if given.shared_with is not None:
            groups.setdefault(given.shared_with, []).append(key)
    for own, others in groups.items():
        separate = ", ".join(
            f"{_described(key)} is {channels[key].channel or 'none yet'}" for key in others
        )
        yield (
            f"{channels[own].channel} is {_described(own)}; by their units also: {separate}. Look "
            "whether the first is the joint's own, and give the others better places."
        )


def _rank(key: SignalKey) -> tuple[bool, bool, int]:
    """Return what is least for the signal that is the joint's own."""
    words = name_words(key[1])
    return _is_bound(key), not _OWN_WORDS.intersection(words), len(_place_words(key[1]))


def _is_bound(key: SignalKey) -> bool:
    return bool(_BOUND_WORDS.intersection(name_words(key[1])))


def _names_with_place(channel: str, key: SignalKey) -> Iterator[str]:
    """Yield names of channels with a place from a signal's name, or with its message's as well."""
    at_home = channel_named(channel)
    home_words = at_home.place.split("_")
    words = [word for word in _place_words(key[1]) if word not in home_words]
    known = {*words, *home_words, at_home.quantity}
    message_words = [word for word in dict.fromkeys(name_words(key[0])) if word not in known]
    for more in (words, [*words, *message_words]):
        place = "_".join([*filter(None, [at_home.place]), *more]).lstrip("0123456789_")
        name = channel_of_quantity(at_home.quantity, place, setpoint=at_home.setpoint)
        if name != channel and is_channel(name):
            yield name


def _place_words(name: str) -> list[str]:
    idle = _IDLE_WORDS | _OWN_WORDS | SETPOINT_WORDS
    return [word for word in dict.fromkeys(name_words(name)) if word not in idle]


def _separation_reason(
    channel: str, separate: str | None, key: SignalKey, own: SignalKey | None
) -> str:
    if own is None:
        why = f"a bound by its name, which {channel} is not"
    else:
        why = f"{channel} is {_described(own)}"
    if separate is not None:
        return f"by its unit; {why}, so with a place from the names"
    at_home = channel_named(channel)
    shape = channel_of_quantity(
        at_home.quantity, f"{at_home.place}_<place>".lstrip("_"), setpoint=at_home.setpoint
    )
    return f"{why}; name a channel such as {shape}, or remove it"


def _described(key: SignalKey) -> str:
    return f"{key[1]} of {key[0]}"
