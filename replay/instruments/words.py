"""What is told of an instrument's clock, in words. Pure."""

from collections.abc import Iterator

from replay.instruments.clock import ClockCaution, ClockEstimate
from replay.instruments.read_clock import ClockProposal

__all__ = ["caution_sentence", "clock_sentences", "moved_sentence"]

_DAY_S = 86_400.0


def clock_sentences(proposal: ClockProposal) -> Iterator[str]:
    """Yield what was found, with its uncertainty and what has to be known before it is used."""
    found = proposal.estimate
    offset = found.offset_s
    yield (
        f"{proposal.sensor}: its times have to be moved by {_signed(offset.value)} s "
        f"(95 %: {_signed(offset.low)} to {_signed(offset.high)} s), dead time of the instrument "
        "included: no recording can part the two."
    )
    yield _drift_sentence(found)
    yield _lag_sentence(found)
    yield (
        f"From {proposal.sensor_channel} against {proposal.channel} of {proposal.joint}: "
        f"{found.readings} readings in {found.windows} stretches, {found.explained:.1%} of what "
        "moves is in both."
    )
    for caution in proposal.cautions:
        yield caution_sentence(caution, proposal)


def caution_sentence(caution: ClockCaution, proposal: ClockProposal) -> str:
    """Return what a caution says of a proposal."""
    found = proposal.estimate
    if caution is ClockCaution.AMBIGUOUS:
        others = ", ".join(f"{_signed(one)} s" for one in found.rivals_s)
        return (
            f"Not the only offset that matches: {others} as well, since the load repeats itself. "
            "Say with --within how far the clock can be off."
        )
    if caution is ClockCaution.LAG_NOT_SEPARATE:
        return (
            "Offset and lag of the sensor cannot be told apart without a fast edge: the interval "
            "holds both. Load the joint suddenly once, or warm the sensor by hand."
        )
    if caution is ClockCaution.AT_BORDER:
        return "The offset lies at the edge of what was looked at: look further with --within."
    return (
        f"All its times are whole steps of {proposal.stamp_step_s:g} s: where the instrument cuts "
        "them off, a reading may be that much later than it says, and the offset is one on average."
    )


def moved_sentence(proposal: ClockProposal) -> str:
    """Return the note that stands in the recording where the times were moved."""
    clock, offset = proposal.clock, proposal.estimate.offset_s
    drift = f" and {clock.drift_ppm:+.1f} us for each second" if clock.drift_ppm else ""
    return (
        f"The times of {proposal.sensor} were moved by {_signed(offset.value)} s{drift} "
        f"(95 %: {_signed(offset.low)} to {_signed(offset.high)} s; {clock.found_from}; lag "
        f"{proposal.estimate.lag_s.value:.2g} s; dead time included)."
    )


def _drift_sentence(found: ClockEstimate) -> str:
    drift = found.drift
    bounds = f"95 %: {drift.low * _DAY_S:+.2g} to {drift.high * _DAY_S:+.2g} s a day"
    if drift.low == drift.high:
        return "Its drift does not matter over so short a span."
    if not found.drift_matters:
        return f"No drift can be seen ({bounds})."
    return f"Its clock drifts: {drift.value * _DAY_S:+.2g} s a day ({bounds})."


def _lag_sentence(found: ClockEstimate) -> str:
    lag = found.lag_s
    ways = found.averaged_share
    reads = "takes means" if ways > 0.95 else "samples" if ways < 0.05 else "samples or takes means"
    if lag.high < 0.02:
        return f"The sensor shows no lag; it {reads}."
    return f"The sensor's own lag: {lag.low:.2g} to {lag.high:.2g} s, kept out of it; it {reads}."


def _signed(seconds: float) -> str:
    return f"{seconds:+.3f}"
