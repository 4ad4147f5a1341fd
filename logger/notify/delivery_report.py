"""What came of a message, to be kept in the recording: who was told, or could not be told yet."""

from dataclasses import dataclass

from logger.event_kind import EventKind

__all__ = ["DeliveryReport"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """One event about delivery."""

    kind: EventKind
    """NOTIFIED or NOTIFYING."""
    target: str
    """Name of the target."""
    alert: int = 0
    """Number of the alert that it is about, in this recording; 0: none."""
    text: str
    """A sentence for people."""
