"""What a person types for a fit of heat: a joint, an ambient, a temperature. Pure."""
# ruff: noqa: N802 - units are written as units are

import re
from collections.abc import Sequence
from typing import Final

from logger.errors import InputError
from logger.joint.channels import channel_named
from replay.heat.bins import SensorSource
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import AmbientChoice
from replay.heat.trace import SensorPlace
from replay.recording import Recording

__all__ = ["ambient_choice", "chosen_joint", "temperature_degC"]

_TEMPERATURE: Final = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*(?:degC|°C|C)?\s*")
_STATED_AMBIENT: Final = "temperature_ambient_degC"


def temperature_degC(text: str, where: str) -> float:
    """Return a temperature such as 23degC or 23.5.

    Raises
    ------
    InputError
        It is none, or below -60 or above 250 degC, which no sensor here reads.
    """
    match = _TEMPERATURE.fullmatch(text)
    channel = channel_named(_STATED_AMBIENT)
    if match is None or not channel.lowest <= float(match[1]) <= channel.highest:
        span = f"from {channel.lowest:g} to {channel.highest:g} degC"
        raise InputError(
            where=where, found=repr(text), expected=f"a temperature {span}, such as 80degC"
        )
    return float(match[1])


def chosen_joint(recordings: Sequence[Recording], name: str | None) -> str:
    """Return the joint that is meant: the one that was named, or the only one.

    Raises
    ------
    InputError
        There are several and none was named, or a recording does not have it.
    """
    if name is None:
        joints = _joints(recordings[0])
        if len(joints) != 1:
            raise InputError(
                where="--joint",
                found="none",
                expected=f"one of the recording's joints: {', '.join(joints)}",
            )
        name = joints[0]
    for one in recordings:
        if name not in _joints(one):
            raise InputError(
                where="--joint",
                found=repr(name),
                expected=f"a joint of {one.name}: {', '.join(_joints(one))}",
            )
    return name


def _joints(recording: Recording) -> list[str]:
    return [one for one in recording.joints if one not in recording.bench.sensors]


def ambient_choice(text: str | None, recording: Recording, joint: str) -> AmbientChoice:
    """Return where the ambient comes from.

    Raises
    ------
    HeatFault
        It is neither a temperature nor a channel that is recorded.
    """
    if text is None:
        return AmbientChoice()
    if _TEMPERATURE.fullmatch(text):
        return AmbientChoice(stated_degC=temperature_degC(text, "--ambient"))
    owner, dot, channel = text.rpartition(".")
    if not dot:
        owner = joint if channel in recording.channels(joint) else ""
        # The channel of the only sensor that has it.
        having = [one for one in recording.bench.sensors if channel in recording.channels(one)]
        owner = owner or (having[0] if len(having) == 1 else joint)
    is_there = owner in recording.joints and channel in recording.channels(owner)
    if not is_there or channel_named(channel).quantity != "temperature":
        label = recording.bench.label_of(joint)
        raise HeatFault(HeatFaultKind.NO_AMBIENT, where="--ambient", joint=label, found=repr(text))
    return AmbientChoice(
        source=SensorSource(place=SensorPlace.AMBIENT, joint=owner, channel=channel)
    )
