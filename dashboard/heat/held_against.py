"""A load held against what another recording of its joint tells, in place of its own."""

from dataclasses import dataclass
from datetime import tzinfo

from dashboard.heat.fits import HeatFits
from dashboard.heat.further import asked_fit
from dashboard.server.recording_cache import RecordingCache
from replay.duty.result import ModelSource
from replay.heat.faults import check_one_serial
from replay.heat.fit import HeatFit
from replay.heat.typed_ambient import ambient_texts
from replay.recording import Recording

__all__ = ["OtherFit", "other_fit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherFit:
    """A joint as another recording tells of it."""

    fit: HeatFit
    path: str
    """Of that recording, within the folder."""
    source: ModelSource


def other_fit(
    recording: Recording,
    joint: str,
    name: str,
    *,
    recordings: RecordingCache,
    fits: HeatFits,
    ambient: str,
    zone: tzinfo,
    page: str,
) -> OtherFit | None:
    """Return a joint as fitted to another recording; None while it is being fitted.

    Parameters
    ----------
    name
        Of the other recording, in the folder.
    ambient
        As typed for the one that is open. Readings with their times are of that one alone: then
        the other's own channel counts.

    Raises
    ------
    InputError
        There is no such recording or joint, it has another serial, or nothing can be fitted to it.
    """
    other = recordings.open_recording(name)
    own = "" if any(":" in text for text in ambient_texts(ambient)) else ambient
    asked = asked_fit(other, joint, (), recordings, ambient=own, zone=zone)
    check_one_serial([recording, other], joint)
    asked.request.ambient_of(asked.recordings, zone)
    # A job of its own beside that of the page, which would else take its place.
    kept = fits.find(asked.request, asked.recordings, page=f"{page} other")
    if kept is None:
        return None
    source = ModelSource(other.name, other.start_ns)
    return OtherFit(fit=kept.fit, path=other.path.name, source=source)
