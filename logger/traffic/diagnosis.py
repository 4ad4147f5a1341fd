"""What the figures of a bus look like, in words: one function for each known picture.

A hint says what was seen, what it usually means and where to look. None is given for a bus that is
as it should be. Pure.
"""

from collections.abc import Callable
from typing import Final

from logger.traffic.bus_statistics import Figures

__all__ = ["MOST_LOAD", "hints", "pictures"]

MOST_LOAD: Final = 0.8
"""Beyond this a bus has no room for the frames that were lost and are sent again."""
STOPPED_PERIODS: Final = 10.0
STOPPED_S: Final = 0.5
MOST_UNANSWERED: Final = 0.01
"""Of the requests to a joint: now and then one goes missing on a bus that is well."""


def hints(figures: Figures) -> tuple[str, ...]:
    """Return a sentence or a few for each picture that the figures fit."""
    return tuple(pictures(figures).values())


def pictures(figures: Figures) -> dict[str, str]:
    """Return the sentences by the name of their picture, which goes with no figure in it."""
    said = {picture.__name__.removeprefix("_"): picture(figures) for picture in _PICTURES}
    return {name: text for name, text in said.items() if text is not None}


def _not_asked(figures: Figures) -> str | None:
    quiet = [
        name for name in figures.silent if name in figures.asked_only and name not in figures.asked
    ]
    if not quiet:
        return None
    if figures.settings.send:
        then = "The recorder asks them, since the bench file says send = true."
    else:
        then = "The recorder asks them only where the bench file says send = true."
    many = len(quiet) > 1
    return (
        f"{_names(quiet)} {'answer' if many else 'answers'} only when asked, and nothing was asked "
        f"here: {'their' if many else 'its'} silence may mean just that. {then}"
    )


def _nothing(figures: Figures) -> str | None:
    if figures.frames or figures.error_frames:
        return None
    asked = bool(figures.joints) and set(figures.joints) <= set(figures.asked_only)
    begun = "Nothing at all was heard."
    if asked:
        begun = "Nothing at all was heard. If something should talk by itself:"
    return (
        f"{begun} {'l' if asked else 'L'}ook at the power of the joints, the bit rate "
        f"({_bitrate(figures)}), the wiring, and the termination: 120 Ω at both ends of the bus."
    )


def _errors_only(figures: Figures) -> str | None:
    if figures.frames or not figures.error_frames:
        return None
    return (
        f"Only error frames were heard: the bit rate is not that of the bus ({_bitrate(figures)}), "
        "or the termination is wrong: 120 Ω at both ends. Try another bit rate only with an "
        "adapter that is silent: one that acknowledges disturbs the bus at a wrong bit rate."
    )


def _some_errors(figures: Figures) -> str | None:
    if not figures.frames or not figures.error_frames:
        return None
    return (
        f"{figures.error_frames} error frames beside {figures.frames} frames: look for a loose "
        "plug, missing or doubled termination (120 Ω at both ends, nowhere else), a long stub, or "
        "a participant with another bit rate."
    )


def _unacknowledged(figures: Figures) -> str | None:
    one = figures.repeats
    if one is None:
        return None
    who = f" ({' or '.join(one.joints)})" if one.joints else ""
    if figures.settings.acknowledge:
        mend = "The bench file lets the adapter acknowledge, but it does not seem to."
    elif figures.settings.send:
        mend = (
            "Here the adapter only listened; the recorder acknowledges where the bench file says "
            "send = true."
        )
    else:
        mend = (
            "A silent adapter alone with one joint looks like this: let it acknowledge "
            "(bus.acknowledge = true, or the system's setting of the interface), or connect the "
            "joint's controller."
        )
    return f"{one.named}{who} repeats one frame without a pause: nobody acknowledges it. {mend}"


def _silent(figures: Figures) -> str | None:
    known = {*figures.asked_only, *figures.elsewhere, *_unfitting(figures)}
    quiet = [name for name in figures.silent if name not in known]
    if not quiet or not figures.frames:
        return None
    many = len(quiet) > 1
    return (
        f"{_names(quiet)} {'are' if many else 'is'} silent while others talk: look at "
        f"{'their' if many else 'its'} power, plug and node number."
    )


def _elsewhere(figures: Figures) -> str | None:
    if not figures.elsewhere:
        return None
    heard = ", ".join(f"{joint} on {bus}" for joint, bus in figures.elsewhere.items())
    return (
        f"Heard on another bus than the bench file says: {heard}. Are two plugs or two adapters "
        "swapped?"
    )


def _layout(figures: Figures) -> str | None:
    unfitting = _unfitting(figures)
    if not unfitting:
        return None
    heard = ", ".join(f"{named} of {joint}" for joint, named in unfitting.items())
    return (
        f"Heard, but no frame fits its layout: {heard}. Compare leading bytes and length with the "
        "layout; `dutytrace decode` explains one frame."
    )


def _unanswered(figures: Figures) -> str | None:
    missed = [
        f"{joint} {count} of {figures.asked[joint]}"
        for joint, count in figures.unanswered.items()
        if count > 1 and count > MOST_UNANSWERED * figures.asked[joint]
    ]
    if not missed:
        return None
    return (
        f"Requests without an answer: {', '.join(missed)}. Are they asked too fast, or is the bus "
        "or the joint's plug at fault?"
    )


def _stopped(figures: Figures) -> str | None:
    stopped = [
        f"{' or '.join(one.joints)}, {one.frame} ({one.named}), {one.last_s:.1f} s before the end"
        for one in figures.talkers
        if one.role == "joint"
        and one.frame is not None
        and one.period_s is not None
        and one.last_s > max(STOPPED_S, STOPPED_PERIODS * one.period_s)
    ]
    if not stopped:
        return None
    return f"Stopped while it was listened to: {'; '.join(stopped)}."


def _full(figures: Figures) -> str | None:
    if figures.load is None or figures.load <= MOST_LOAD:
        return None
    bound = " at most, the CAN FD frames taken at the slow bit rate" if figures.fd_frames else ""
    return (
        f"The bus is busy for {figures.load:.0%} of the time{bound}; above {MOST_LOAD:.0%} frames "
        "of low priority come late or never. Let joints report less often, or use a second bus."
    )


_PICTURES: Final[tuple[Callable[[Figures], str | None], ...]] = (
    _nothing,
    _errors_only,
    _some_errors,
    _unacknowledged,
    _elsewhere,
    _layout,
    _silent,
    _not_asked,
    _unanswered,
    _stopped,
    _full,
)


def _unfitting(figures: Figures) -> dict[str, str]:
    """Return the silent joints whose identifier was heard, and that identifier."""
    found: dict[str, str] = {}
    for one in figures.talkers:
        if one.frame is None and one.role == "joint" and not one.remote:
            found |= {joint: one.named for joint in one.joints if joint in figures.silent}
    return found


def _bitrate(figures: Figures) -> str:
    bitrate = figures.settings.bitrate
    return (
        "the bench file names none" if bitrate is None else f"the bench file says {bitrate:_} bit/s"
    )


def _names(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
