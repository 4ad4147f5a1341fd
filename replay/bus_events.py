"""What happened to the buses of a recording, and who talked in a short span of it.

The span is a bounded sample: its frames are read a second at a time until there are enough, and
what was looked at in the end is told with it. Nothing here reads all frames of a recording.
"""

from dataclasses import dataclass, replace
from typing import Final

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.store.layout.events import Event
from logger.traffic.bus_statistics import Figures, figures, plan_for
from logger.traffic.diagnosis import pictures
from replay.recording import Recording

__all__ = ["MOST_FRAMES", "Away", "Happening", "Heard", "aways", "happenings", "heard"]

MOST_FRAMES: Final = 200_000
"""Of a sample: some 25 s of a full 1 Mbit/s bus, and worked out in a fraction of a second."""
LONGEST_S: Final = 600.0
"""Of a sample, however quiet the bus."""
_PIECE_NS: Final = 1_000_000_000
_WIDEST_NS: Final = 16 * _PIECE_NS
_KINDS: Final = (
    "bus lost",
    "bus back",
    "dropped",
    "bus hint",
    "clock step",
    "refused",
    "continued",
)
_NEEDS_A_BUS: Final = frozenset({"nothing", "silent", "stopped", "not_asked"})
"""Pictures that say nothing where the bus itself was away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """An event that concerns a bus."""

    time_ns: int
    kind: str
    bus: int | None
    """Place in the bench's list of buses; None: all of them, or it is not told which."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """A stretch in which a bus could not be reached, or nobody recorded."""

    bus: int | None
    """None: all of them."""
    start_ns: int
    end_ns: int | None
    """None: it has not come back."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """Who talked in a span."""

    start_ns: int
    end_ns: int
    """The span that was looked at: shorter than what was asked for where that holds too much."""
    cut: bool
    """Whether it is shorter."""
    buses: tuple[Figures, ...]
    """One for each bus of the bench."""
    hints: tuple[tuple[str, ...], ...]
    """For each bus what its figures look like, in sentences."""


def happenings(recording: Recording) -> tuple[Happening, ...]:
    """Return the events that concern buses, in sequence."""
    return tuple(
        Happening(
            time_ns=event.time_ns,
            kind=event.kind,
            bus=_bus_of(event, recording.bench),
            text=event.text,
        )
        for event in recording.events()
        if event.kind in _KINDS
    )


def _bus_of(event: Event, bench: Bench) -> int | None:
    """Return which bus an event's sentence speaks of: it names the channel, and no column does."""
    if event.kind in {"clock step", "continued"}:
        return None
    if len(bench.buses) == 1:
        return 0
    for place, bus in enumerate(bench.buses):
        begins = (f"The bus {bus.channel} ", f"{bus.channel}: ")
        if event.text.startswith(begins) or f" lost on the bus {bus.channel}:" in event.text:
            return place
    return None


def aways(recording: Recording) -> tuple[Away, ...]:
    """Return every stretch without a bus, in order of its beginning.

    A bus that is lost is away until it is back, or until nobody recorded any more; a recording that
    was gone on with tells how long nobody recorded.
    """
    found: list[Away] = []
    left: dict[int | None, Happening] = {}

    def close(bus: int | None, end_ns: int | None) -> None:
        lost = left.pop(bus, None)
        if lost is not None:
            found.append(Away(bus=bus, start_ns=lost.time_ns, end_ns=end_ns, text=lost.text))

    durations = {
        event.time_ns: event.duration_s for event in recording.events() if event.kind == "continued"
    }
    for one in happenings(recording):
        if one.kind == "bus lost":
            left.setdefault(one.bus, one)
        elif one.kind == "bus back":
            close(one.bus, one.time_ns)
        elif one.kind == "continued":
            pause_s = durations[one.time_ns]
            began_ns = one.time_ns - (round(pause_s * 1e9) if pause_s == pause_s else 0)  # noqa: PLR0124
            for bus in list(left):
                close(bus, min(began_ns, one.time_ns))
            found.append(Away(bus=None, start_ns=began_ns, end_ns=one.time_ns, text=one.text))
    for bus in list(left):
        close(bus, None if recording.live else recording.end_ns)
    return tuple(sorted(found, key=lambda away: away.start_ns))


def heard(
    recording: Recording,
    start_ns: int,
    end_ns: int,
    *,
    newest: bool = False,
    most: int = MOST_FRAMES,
) -> Heard:
    """Return who talked in [start_ns, end_ns), or in as much of it as holds `most` frames or so.

    Parameters
    ----------
    newest
        Where it has to be cut, the end is looked at and not the beginning.
    """
    asked_ns = end_ns - start_ns
    left_ns = min(asked_ns, round(LONGEST_S * 1e9))
    looked_ns, width_ns, count = 0, _PIECE_NS, 0
    pieces: list[FrameBatch] = []
    while left_ns > 0 and count < most:
        width_ns = min(width_ns, left_ns)
        begin_ns = end_ns - looked_ns - width_ns if newest else start_ns + looked_ns
        pieces.append(recording.frames(begin_ns, begin_ns + width_ns))
        count += len(pieces[-1])
        looked_ns, left_ns = looked_ns + width_ns, left_ns - width_ns
        # A quiet bus is read in wider pieces, since each costs as much as it touches.
        width_ns = min(2 * width_ns, _WIDEST_NS) if len(pieces[-1]) < most // 100 else _PIECE_NS
    if newest:
        start_ns, pieces = end_ns - looked_ns, pieces[::-1]
    end_ns = start_ns + looked_ns
    buses = figures(
        FrameBatch.joined(pieces), plan_for(recording.bench), start_ns=start_ns, end_ns=end_ns
    )
    gone = [
        away
        for away in aways(recording)
        if away.start_ns < end_ns and (away.end_ns is None or away.end_ns > start_ns)
    ]
    return Heard(
        start_ns=start_ns,
        end_ns=end_ns,
        cut=looked_ns < asked_ns,
        buses=buses,
        hints=tuple(
            _hints(one, away=any(away.bus in {None, place} for away in gone))
            for place, one in enumerate(buses)
        ),
    )


def _hints(one: Figures, *, away: bool) -> tuple[str, ...]:
    """Return the hints that hold for what was recorded and not merely listened to."""
    settings = one.settings
    if settings.send:
        # The recorder did ask and did acknowledge: silence is silence, and not acknowledged means
        # that the adapter does not.
        one = replace(
            one, asked_only=(), settings=settings.model_copy(update={"acknowledge": True})
        )
    found = pictures(one)
    return tuple(text for name, text in found.items() if not (away and name in _NEEDS_A_BUS))
