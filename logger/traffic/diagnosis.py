"""Diagnosis of a bus from its statistics: one function for each known fault. Pure.

A hint says what was observed, what it usually means and where to look. A healthy bus has none.
"""

from collections.abc import Callable
from typing import Final

from logger.traffic.bus_statistics import BusStatistics
from logger.traffic.cadence import MessageStats

__all__ = ["MAX_LOAD", "diagnose", "hint_sentences", "unclaimed_sentence"]

MAX_LOAD: Final = 0.8
"""Beyond this a bus has no room for the frames that were lost and are sent again."""
STOPPED_PERIODS: Final = 10.0
STOPPED_S: Final = 0.5
MAX_UNANSWERED_SHARE: Final = 0.01
"""Of the requests to a joint: on a healthy bus, too, a response is missing now and then."""
MAX_UNDECODED_SHARE: Final = 0.01
"""Of the frames with the identifier of a joint."""
MAX_UNCLAIMED_SHARE: Final = 0.05
"""Of all frames; beyond this the verdict names those that no joint of the bench claims."""
GAP_PERIODS: Final = 10.0
GAP_S: Final = 0.25
MIN_GAP_FRAMES: Final = 20
"""A gap is one in regular frames: so many of them, 95 % within a period of their time."""
_NAMED_IDENTIFIERS: Final = 4


def hint_sentences(statistics: BusStatistics) -> tuple[str, ...]:
    """Return the hint of each fault that the statistics show: one sentence or a few."""
    return tuple(diagnose(statistics).values())


def diagnose(statistics: BusStatistics) -> dict[str, str]:
    """Return the hints by the name of their fault; the name has no figures in it.

    So a hint whose figures change from one second to the next is recognised as the same one.
    """
    sentences = {
        diagnosis.__name__.removeprefix("_diagnose_"): diagnosis(statistics)
        for diagnosis in _DIAGNOSES
    }
    return {name: text for name, text in sentences.items() if text is not None}


def unclaimed_sentence(statistics: BusStatistics) -> str:
    """Return what is to be said of frames that no joint of the bench claims, "" where they are few.

    No fault: other nodes may share a bus. But who reads a verdict must not take them for decoded.
    """
    strangers = [
        message
        for message in statistics.messages
        if message.frame is None and message.role == "unknown"
    ]
    count = sum(message.count for message in strangers)
    if count <= MAX_UNCLAIMED_SHARE * statistics.frames:
        return ""
    most = sorted(strangers, key=lambda message: -message.count)
    named = [message.identifier_text for message in most[:_NAMED_IDENTIFIERS]]
    more = f" and {len(most) - len(named)} more" if len(most) > len(named) else ""
    return (
        f"{count / statistics.frames:.0%} of the frames are not decoded: no joint of the bench "
        f"has their identifier ({', '.join(named)}{more})."
    )


def _diagnose_not_asked(statistics: BusStatistics) -> str | None:
    quiet = [
        name
        for name in statistics.silent
        if name in statistics.only_requested and name not in statistics.request_counts
    ]
    if not quiet:
        return None
    if statistics.settings.send:
        then = "The recorder asks them, since the bench file says send = true."
    else:
        then = "The recorder asks them only where the bench file says send = true."
    many = len(quiet) > 1
    return (
        f"{_joined_labels(statistics, quiet)} {'answer' if many else 'answers'} only when asked, "
        f"and nothing was asked here: {'their' if many else 'its'} silence may mean just that. "
        f"{then}"
    )


def _diagnose_nothing(statistics: BusStatistics) -> str | None:
    if statistics.frames or statistics.error_frames or statistics.garbled:
        return None
    requested = bool(statistics.joints) and set(statistics.joints) <= set(statistics.only_requested)
    opening = "Nothing at all was heard."
    if requested:
        opening = "Nothing at all was heard. If a joint should report by itself:"
    return (
        f"{opening} {'l' if requested else 'L'}ook at the power of the joints, the bit rate "
        f"({_bitrate_text(statistics)}), the wiring, and the termination: 120 Ω at both "
        "ends of the bus."
    )


def _diagnose_unreadable(statistics: BusStatistics) -> str | None:
    if not statistics.garbled:
        return None
    settings, count = statistics.settings, statistics.garbled
    if settings.interface == "lines":
        mend = (
            f"compare the pattern ({settings.options.get('pattern', 'none')}) with what the board "
            f"prints, and the speed of its port ({settings.options.get('baud', 'none')} baud by "
            "the bench file) with that of the board"
        )
    elif settings.interface == "slcan":
        mend = (
            "look at the speed of the adapter's port, and whether the adapter speaks the protocol "
            "of this interface (slcan)"
        )
    else:
        mend = f"look at the adapter, its driver, and whether {settings.interface} is its interface"
    if statistics.frames or statistics.error_frames:
        return (
            f"{count} lines or frames could not be read beside {statistics.frames} frames: bytes "
            f"are lost or changed on their way. Look for a bad cable or a full buffer, and {mend}."
        )
    return (
        f"Bytes arrive, but no frame: {count} lines or frames could not be read. "
        f"{mend[0].upper()}{mend[1:]}."
    )


def _diagnose_errors_only(statistics: BusStatistics) -> str | None:
    if statistics.frames or not statistics.error_frames:
        return None
    return (
        "Only error frames were heard: the bit rate is not that of the bus "
        f"({_bitrate_text(statistics)}), or the termination is wrong: 120 Ω at both ends. Try "
        "another bit rate only with an adapter that is silent: one that acknowledges disturbs "
        "the bus at a wrong bit rate."
    )


def _diagnose_some_errors(statistics: BusStatistics) -> str | None:
    if not statistics.frames or not statistics.error_frames:
        return None
    return (
        f"{statistics.error_frames} error frames beside {statistics.frames} frames: look for a "
        "loose plug, missing or doubled termination (120 Ω at both ends, nowhere else), a long "
        "stub, or a participant with another bit rate."
    )


def _diagnose_unacknowledged(statistics: BusStatistics) -> str | None:
    flooding = statistics.flooding
    if flooding is None:
        return None
    addressee = f" ({_either_label(statistics, flooding)})" if flooding.joints else ""
    if statistics.settings.acknowledge:
        mend = "The bench file lets the adapter acknowledge, but it does not seem to."
    elif statistics.settings.send:
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
    return (
        f"{flooding.identifier_text}{addressee} repeats one frame without a pause: nobody "
        f"acknowledges it. {mend}"
    )


def _diagnose_silent(statistics: BusStatistics) -> str | None:
    explained_joints = {
        *statistics.only_requested,
        *statistics.on_other_bus,
        *_unfitting_joints(statistics),
    }
    quiet = [name for name in statistics.silent if name not in explained_joints]
    if not quiet or not statistics.frames:
        return None
    many = len(quiet) > 1
    return (
        f"{_joined_labels(statistics, quiet)} {'are' if many else 'is'} silent while others talk: "
        f"look at {'their' if many else 'its'} power, plug and node number."
    )


def _diagnose_elsewhere(statistics: BusStatistics) -> str | None:
    if not statistics.on_other_bus:
        return None
    joints_text = ", ".join(
        f"{statistics.label_of(joint)} on {bus}" for joint, bus in statistics.on_other_bus.items()
    )
    return (
        f"Heard on another bus than the bench file says: {joints_text}. Are two plugs or two "
        "adapters swapped?"
    )


def _diagnose_layout(statistics: BusStatistics) -> str | None:
    unfitting = _unfitting_joints(statistics)
    if not unfitting:
        return None
    identifiers_text = ", ".join(
        f"{identifier_text} of {statistics.label_of(joint)}"
        for joint, identifier_text in unfitting.items()
    )
    return (
        f"Heard, but no frame fits its layout: {identifiers_text}. Compare leading bytes and "
        "length with the layout; `dutytrace decode` explains one frame."
    )


def _diagnose_undecoded(statistics: BusStatistics) -> str | None:
    """Find joints that are decoded, but not all of their frames."""
    of_joints = [
        message for message in statistics.messages if message.role == "joint" and not message.remote
    ]
    counts: dict[str, int] = {}
    for message in of_joints:
        counts[message.identifier_text] = counts.get(message.identifier_text, 0) + message.count
    undecoded = [
        f"{message.identifier_text} of {_either_label(statistics, message)} {message.count} of "
        f"{of_all}"
        for message in of_joints
        if message.frame is None
        and not set(message.joints) <= set(statistics.silent)
        and message.count > MAX_UNDECODED_SHARE * (of_all := counts[message.identifier_text])
        and message.count > 1
    ]
    if not undecoded:
        return None
    return (
        f"Frames that fit no frame of the joint's layout: {'; '.join(undecoded)}. Compare leading "
        "bytes and length with the layout; `dutytrace decode` explains one frame."
    )


def _diagnose_gaps(statistics: BusStatistics) -> str | None:
    missing = [
        f"{_either_label(statistics, message)}, {message.frame} ({message.identifier_text}) every "
        f"{message.period_s * 1e3:.3g} ms, for {message.longest_gap_s:.2f} s"
        for message in statistics.messages
        if message.role == "joint"
        and message.frame is not None
        and message.count >= MIN_GAP_FRAMES
        and message.period_s is not None
        and message.jitter_95_s is not None
        and message.jitter_95_s <= message.period_s
        and message.longest_gap_s > max(GAP_S, GAP_PERIODS * message.period_s)
        and not _has_stopped(message)
    ]
    if not missing:
        return None
    return (
        f"Regular frames were missing for a while, at the longest: {'; '.join(missing)}. Look for "
        "a loose plug, a joint that restarts, or an adapter that stalls."
    )


def _diagnose_unanswered(statistics: BusStatistics) -> str | None:
    missed = [
        f"{statistics.label_of(joint)} {count} of {statistics.request_counts[joint]}"
        for joint, count in statistics.unanswered_counts.items()
        if count > 1 and count > MAX_UNANSWERED_SHARE * statistics.request_counts[joint]
    ]
    if not missed:
        return None
    return (
        f"Requests without an answer: {', '.join(missed)}. Are they asked too fast, or is the bus "
        "or the joint's plug at fault?"
    )


def _diagnose_stopped(statistics: BusStatistics) -> str | None:
    silenced = [
        f"{_either_label(statistics, message)}, {message.frame} ({message.identifier_text}), "
        f"{message.last_s:.1f} s before the end"
        for message in statistics.messages
        if message.role == "joint" and message.frame is not None and _has_stopped(message)
    ]
    if not silenced:
        return None
    return f"Stopped during the measurement: {'; '.join(silenced)}."


def _diagnose_full(statistics: BusStatistics) -> str | None:
    if statistics.load is None or statistics.load <= MAX_LOAD:
        return None
    bound = " at most, the CAN FD frames taken at the slow bit rate" if statistics.fd_frames else ""
    return (
        f"The bus is busy for {statistics.load:.0%} of the time{bound}; above {MAX_LOAD:.0%} "
        "frames of low priority come late or never. Let joints report less often, or use a "
        "second bus."
    )


_DIAGNOSES: Final[tuple[Callable[[BusStatistics], str | None], ...]] = (
    _diagnose_nothing,
    _diagnose_unreadable,
    _diagnose_errors_only,
    _diagnose_some_errors,
    _diagnose_unacknowledged,
    _diagnose_elsewhere,
    _diagnose_layout,
    _diagnose_undecoded,
    _diagnose_silent,
    _diagnose_not_asked,
    _diagnose_unanswered,
    _diagnose_stopped,
    _diagnose_gaps,
    _diagnose_full,
)


def _has_stopped(message: MessageStats) -> bool:
    """Return whether nothing more came of it for long before the end."""
    return message.period_s is not None and message.last_s > max(
        STOPPED_S, STOPPED_PERIODS * message.period_s
    )


def _unfitting_joints(statistics: BusStatistics) -> dict[str, str]:
    """Return the silent joints whose identifier was received, and that identifier."""
    found_joints: dict[str, str] = {}
    for message in statistics.messages:
        if message.frame is None and message.role == "joint" and not message.remote:
            found_joints |= {
                joint: message.identifier_text
                for joint in message.joints
                if joint in statistics.silent
            }
    return found_joints


def _bitrate_text(statistics: BusStatistics) -> str:
    bitrate = statistics.settings.bitrate
    return (
        "the bench file names none" if bitrate is None else f"the bench file says {bitrate:_} bit/s"
    )


def _either_label(statistics: BusStatistics, message: MessageStats) -> str:
    """Return the labels of the joints that a message may be of."""
    return " or ".join(statistics.label_of(joint) for joint in message.joints)


def _joined_labels(statistics: BusStatistics, joints: list[str]) -> str:
    *others, last = [statistics.label_of(joint) for joint in joints]
    return f"{', '.join(others)} and {last}" if others else last
