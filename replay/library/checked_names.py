"""Names of joints and channels that somebody typed, checked against a recording."""

from collections.abc import Sequence

from logger.errors import InputError
from logger.settings_file import did_you_mean
from replay.recording import Recording

__all__ = ["checked_channels", "checked_joint"]


def checked_joint(recording: Recording, joint: str) -> str:
    """Return the name of a joint or instrument; InputError where the recording has none such."""
    joints = recording.joints
    if joint not in joints:
        raise InputError(
            f"joint: found {joint!r}, expected one of the recording's.{did_you_mean(joint, joints)}"
        )
    return joint


def checked_channels(
    recording: Recording, joint: str, channels: Sequence[str] | None
) -> tuple[str, ...]:
    """Return names of channels of a joint, None: all; InputError for one that it does not carry."""
    known = recording.channels(checked_joint(recording, joint))
    if channels is None:
        return known
    wanted = (channels,) if isinstance(channels, str) else tuple(channels)
    for channel in wanted:
        if channel not in known:
            raise InputError(
                f"channels: found {channel!r}, which {joint!r} does not carry."
                f"{did_you_mean(channel, known)}"
            )
    return wanted or known
