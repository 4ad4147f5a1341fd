"""Further recordings of a joint, fitted together with the one that is open."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any, Final

from dashboard.heat.fits import FitRequest
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_duration, format_short_date_time
from logger.errors import InputError
from replay.heat.typed_ambient import settled_ambient
from replay.recording import Recording
from replay.serials import known_serials

__all__ = ["AskedFit", "asked_fit", "further_choices", "named_recordings"]

MOST_FURTHER: Final = 20
"""Each is opened, and read from its beginning."""
_SEPARATOR: Final = "/"
"""Between names in an address: no name of a recording's folder has one."""


@dataclass(frozen=True, slots=True)
class AskedFit:
    """What a fit is asked of."""

    request: FitRequest
    recordings: tuple[Recording, ...]
    """The one that is open, then the further ones."""

    @property
    def live(self) -> bool:
        """Whether one of them is still recorded."""
        return any(one.live for one in self.recordings)


@dataclass(frozen=True, slots=True)
class _JointFacts:
    """What of a recording decides whether it is offered."""

    serials: dict[str, str]
    """Joint -> its serial, empty where none is given; instruments left out."""
    start_ns: int
    end_ns: int


def named_recordings(text: str) -> tuple[str, ...]:
    """Return the names in an address, each once, in the order of the alphabet."""
    return tuple(sorted({name for name in text.split(_SEPARATOR) if name}))


def asked_fit(
    recording: Recording,
    joint: str,
    further: Sequence[str],
    recordings: RecordingCache,
    *,
    ambient: str = "",
    zone: tzinfo = UTC,
) -> AskedFit:
    """Return what is to be fitted: a joint over a recording and the further ones of these names.

    Parameters
    ----------
    ambient
        As typed.
    zone
        That of the times in it that name none.

    Raises
    ------
    InputError
        One is not there or is none, has no such joint, or they are too many.
    """
    names = [name for name in further if name != recording.path.name]
    if len(names) > MOST_FURTHER:
        raise InputError(
            where="also",
            found=f"{len(names)} further recordings",
            expected=f"at most {MOST_FURTHER} that are fitted together; the command takes more",
        )
    opened = (recording, *(recordings.open_recording(name) for name in names))
    for one in opened:
        if joint not in one.joints or joint in one.bench.sensors:
            raise InputError(
                where=one.name,
                found=f"no joint {recording.bench.label_of(joint)}",
                expected="it in each recording that is fitted together",
            )
    request = FitRequest(
        path=recording.path,
        joint=joint,
        ambient=settled_ambient(ambient, opened, zone),
        further=tuple(one.path for one in opened[1:]),
    )
    return AskedFit(request, opened)


def further_choices(
    recording: Recording, joint: str, recordings: RecordingCache, zone: tzinfo
) -> list[dict[str, Any]]:
    """Return the recordings that may be fitted together with one, newest first.

    Those that have the joint, of no other serial, and do not overlap the one that is open.
    """
    own = _facts(recording)
    choices = []
    for entry in recordings.list_entries():
        if entry.fault or entry.path.name == recording.path.name:
            continue
        try:
            facts = recordings.derive_for_list("heat joints", entry, _facts)
        except InputError:
            continue
        serials = known_serials([own.serials.get(joint, ""), facts.serials.get(joint, "")])
        is_apart = facts.start_ns >= own.end_ns or facts.end_ns <= own.start_ns
        if joint not in facts.serials or len(serials) > 1 or not is_apart:
            continue
        begun = format_short_date_time(facts.start_ns, zone)
        lasts = format_duration((facts.end_ns - facts.start_ns) / 1e9)
        choices.append({"path": entry.path.name, "name": entry.name, "when": f"{begun}, {lasts}"})
    return choices


def _facts(recording: Recording) -> _JointFacts:
    sensors = set(recording.bench.sensors)
    return _JointFacts(
        serials={one.name: one.serial for one in recording.bench.joints if one.name not in sensors},
        start_ns=recording.start_ns,
        end_ns=recording.end_ns,
    )
