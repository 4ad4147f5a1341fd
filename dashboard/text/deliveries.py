"""Who was told of an alert, and who could not be told yet, as a sentence. Pure."""

from collections.abc import Callable, Sequence

from logger.limits.lifecycle import Delivery

__all__ = ["describe_deliveries"]


def describe_deliveries(deliveries: Sequence[Delivery], clock: Callable[[int], str]) -> str:
    """Return whom an alert was told to and when; empty where nobody was to be told.

    "told desk 10:32:05, lamp 10:32:06; phone cannot be reached (timed out). Trying again."

    Parameters
    ----------
    clock
        Writes an instant in nanoseconds, as a time of day or since the start of a recording.
    """
    delivered = [
        f"{delivery.target} {clock(delivery.delivered_ns)}"
        for delivery in deliveries
        if delivery.delivered_ns is not None
    ]
    waiting = [delivery.fault for delivery in deliveries if delivery.delivered_ns is None]
    return "; ".join([f"told {', '.join(delivered)}"] * bool(delivered) + waiting)
