"""The text messages of the live route, field by field.

Both sides know them: `assets/live/messages.d.ts` declares the same for the browser, and a test
holds it to what stands here. A field that may be absent is `NotRequired`; None is never sent as a
value, for in a change it takes a field out (`changed`). Texts are ready to be shown. Pure.
"""

from typing import Any, Literal, NotRequired, TypedDict

__all__ = [
    "AlertRow",
    "DriveStatus",
    "Facts",
    "JointStatus",
    "LimitTime",
    "MarksMessage",
    "NothingMessage",
    "OtherTemperature",
    "SheetMessage",
    "Silence",
    "Status",
    "StatusMessage",
    "Stop",
    "TemperatureLevel",
    "TemperatureScale",
]


class TemperatureLevel(TypedDict):
    """A level on the scale of a joint's temperature, in degrees Celsius."""

    at: float
    off: float
    mark: str
    severity: str


class TemperatureScale(TypedDict):
    """Where a joint's temperature is on its scale, and which level the trend takes it to."""

    low: float
    high: float
    limits: list[TemperatureLevel]
    now: NotRequired[float]
    will: NotRequired[float]


class LimitTime(TypedDict):
    """When the next limit is reached at the present trend: a value, more of it, and what it is."""

    value: str
    detail: str
    label: str


class OtherTemperature(TypedDict):
    """A second temperature of a joint."""

    value: str
    label: str


class DriveStatus(TypedDict):
    """What a drive reports of itself; `calm` says that it has no fault."""

    state: NotRequired[str]
    state_age: NotRequired[str]
    fault: NotRequired[str]
    fault_age: NotRequired[str]
    calm: NotRequired[str]


class JointStatus(TypedDict):
    """The row of one joint."""

    name: str
    pen: int
    mark: str
    state: str
    under: str
    stale: bool
    temperature: str
    place: str
    range: TemperatureScale
    limit_time: LimitTime
    rms: str
    rated: str
    age: list[str]
    other: NotRequired[OtherTemperature]
    drive: NotRequired[DriveStatus]


class AlertRow(TypedDict):
    """An open alert: what it is, how far it went, what can be done and what is heard of it."""

    number: int
    mark: str
    headline: str
    peak: str
    detail: str
    actions: list[str]
    sound: str
    rank: float


class Facts(TypedDict):
    """Figures of the recorder."""

    rate: str
    load: str
    disk: str
    open: str


class Stop(TypedDict):
    """The recorder stopped, or the recording ended: for how long, at which time, after how long."""

    ended: bool
    duration: str
    time: str
    elapsed: str


class Silence(TypedDict):
    """No joint is received: for how long, and when the last one was."""

    duration: str
    time: str


class Status(TypedDict):
    """Everything that the Live page says beside its figure."""

    name: str
    path: str
    since: str
    elapsed: str
    clock: str
    zone: str
    facts: Facts
    joints: list[JointStatus]
    alerts: list[AlertRow]
    remarks: list[str]
    stopped: NotRequired[Stop]
    quiet: NotRequired[Silence]


class StatusMessage(TypedDict):
    """What changed of the status; `whole`: all of it, and nothing before it counts."""

    kind: Literal["status"]
    whole: bool
    changes: dict[str, Any]


class SheetMessage(TypedDict):
    """A figure without data: the next binary update brings its whole window."""

    kind: Literal["sheet"]
    window_s: float
    path: str
    figure: dict[str, Any]


class MarksMessage(TypedDict):
    """What alerts, gaps and notes change in the sheet, as edits of its two lists."""

    kind: Literal["marks"]
    shapes: list[Any]
    lane: list[Any]


class NothingMessage(TypedDict):
    """Nothing is being recorded; which recording ended last, empty for none."""

    kind: Literal["nothing"]
    last: str
    ack: int
