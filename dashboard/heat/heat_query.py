"""What the Heat page puts into addresses: which joint, and where the rules stand."""

from dashboard.heat.further import AskedFit, asked_fit, named_recordings
from dashboard.heat.view import HeatRules
from dashboard.server.queries import FigureQuery, ZoneQuery
from dashboard.server.recording_cache import RecordingCache
from replay.recording import Recording

__all__ = ["HeatQuery"]


class HeatQuery(FigureQuery, ZoneQuery):
    """Which joint, and where the rules stand."""

    joint: str = ""
    """Its name; the first one where there is none of that name."""
    ambient: str = ""
    """Where the ambient comes from, as typed: empty for the joint's own channel."""
    room: float | None = None
    limit: float | None = None
    holding: bool = False
    also: str = ""
    """Names of further recordings to fit together, with / between them."""
    again: bool = False
    """Whether a recording that goes on is to be fitted once more."""

    @property
    def rules(self) -> HeatRules:
        """Where the rules stand."""
        return HeatRules(ambient_degC=self.room, limit_degC=self.limit, is_holding=self.holding)

    @property
    def further(self) -> tuple[str, ...]:
        """The names of the further recordings."""
        return named_recordings(self.also)

    def asked(self, recording: Recording, joint: str, recordings: RecordingCache) -> AskedFit:
        """Return what is to be fitted; see `asked_fit`."""
        return asked_fit(
            recording,
            joint,
            self.further,
            recordings,
            ambient=self.ambient,
            zone=self.time_zone,
        )
