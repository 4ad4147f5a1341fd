"""Who talked on a bus in a short span, in words and figures for a table that can be sorted.

Each column leaves as it is read and as it is sorted by. Pure.
"""

from typing import Any

from dashboard.text.theme import elapsed, grouped, number, span_words
from logger.traffic.bus_statistics import Figures
from logger.traffic.cadence import Talker
from replay.bus_events import Heard

__all__ = ["talk_of"]


def talk_of(found: Heard, bus: int, *, start_ns: int, asked_s: float) -> dict[str, Any]:
    """Return what was heard on one bus.

    Parameters
    ----------
    start_ns
        The recording's start.
    asked_s
        How long a span was asked for.
    """
    one = found.buses[bus]
    from_s, to_s = (found.start_ns - start_ns) / 1e9, (found.end_ns - start_ns) / 1e9
    span_s = to_s - from_s
    tenths = span_s < 60
    when = f"{elapsed(from_s, tenths=tenths)} to {elapsed(to_s, tenths=tenths)}"
    cut = (
        f"Of the {span_words(asked_s)} asked for, {span_words(span_s)} are looked at: that is "
        "enough for periods."
        if found.cut
        else ""
    )
    return {
        "from_s": from_s,
        "to_s": to_s,
        "title": f"Heard in {span_words(span_s)}",
        "when": when,
        "cut": cut,
        "facts": _facts(one),
        "hints": list(found.hints[bus]),
        "undecoded": _undecoded(one),
        "errors": [[words, grouped(count)] for words, count in one.error_classes.items()],
        "talkers": [_talker(talker, one) for talker in one.talkers],
    }


def _facts(one: Figures) -> list[list[str]]:
    facts = [
        ["frames", grouped(one.frames), ""],
        ["frames/s", grouped(round(one.frames_per_s)), ""],
    ]
    if one.load is not None:
        # What the recorder sent is not heard; the load of each second holds it as well.
        words = "load, requests apart" if one.settings.send else "load"
        facts.append(
            [words + (", at most" if one.fd_frames else ""), number(one.load * 100, 1), "%"]
        )
    facts.append(["error frames", grouped(one.error_frames), ""])
    if one.fd_frames:
        facts.append(["CAN FD", grouped(one.fd_frames), ""])
    if one.remote_frames:
        facts.append(["remote", grouped(one.remote_frames), ""])
    return facts


def _undecoded(one: Figures) -> list[list[str]]:
    """Return reason, count and share of what the layouts do not explain, most first."""
    whole = max(one.frames + one.error_frames, 1)
    ordered = sorted(one.undecoded.items(), key=lambda pair: -pair[1])
    return [[reason, grouped(count), f"{_share(count / whole)}"] for reason, count in ordered]


def _talker(talker: Talker, one: Figures) -> dict[str, Any]:
    """Return a row: for every column its text, and what it is sorted by where that is another."""
    why = _why(talker)
    role = {"set-point": "set-point", "request": "request"}.get(talker.role, "")
    frame = talker.frame or (role if role else "")
    return {
        "key": f"{talker.named}/{frame}/{talker.remote}",
        "identifier": [talker.named, talker.identifier + (talker.extended << 29)],
        "joint": [" or ".join(talker.joints) or "nobody"],
        "frame": [frame or "–"],
        "count": [grouped(talker.count), talker.count],
        "share": [_share(talker.count / max(one.frames, 1)), talker.count],
        "period": _time(talker.period_s),
        "jitter": _time(talker.jitter_95_s),
        "gap": _time(talker.longest_gap_s),
        "why": [why or "decoded"],
        "decoded": not why,
    }


def _why(talker: Talker) -> str:
    """Return why frames of an identifier are not decoded, empty if they are."""
    if talker.frame is not None:
        return ""
    if talker.remote:
        return "remote frame"
    if talker.role == "request":
        return "a request, no answer"
    if talker.joints:
        return "fits no frame of its layout"
    return "identifier of no joint"


def _time(seconds: float | None) -> list[Any]:
    """Return a time in milliseconds with three figures that count, and the time to sort by."""
    if seconds is None:
        return ["–", None]
    ms = seconds * 1e3
    decimals = 0 if ms == 0 or ms >= 999.5 else 1 if ms >= 99.995 else 2 if ms >= 0.9995 else 3
    return [number(ms, decimals), seconds]


def _share(share: float) -> str:
    percent = share * 100
    return "< 0.1" if 0 < percent < 0.05 else number(percent, 1)
