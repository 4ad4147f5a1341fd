"""The text messages of the live route, field by field.

`assets/live/messages.d.ts` declares the same types for the browser, and a test checks that they
agree. A field that may be absent is `NotRequired`; None is never a value, since in a change it
removes a field (`json_patch`). Texts are ready to be displayed. Pure.
"""

from typing import Any, Literal, NotRequired, TypedDict

__all__ = [
    "Ahead",
    "AlertRow",
    "AlertSummary",
    "BusLine",
    "CampaignStatus",
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
    "TileStatus",
    "Tiles",
]


class TemperatureLevel(TypedDict):
    """A level on the scale of a joint's temperature, in degrees Celsius."""

    at: float
    off: float
    mark: str
    severity: str


class TemperatureScale(TypedDict):
    """A joint's temperature on its scale, and the level that its trend leads to."""

    low: float
    high: float
    limits: list[TemperatureLevel]
    now: NotRequired[float]
    will: NotRequired[float]


class Ahead(TypedDict):
    """Where a temperature goes: seconds since the recording's start, and the band in degC."""

    channel: str
    at: list[float]
    low: list[float]
    median: list[float]
    high: list[float]


class LimitTime(TypedDict):
    """When the next limit is reached: value, detail, label, and by which model, where by any."""

    value: str
    detail: str
    label: str
    model: NotRequired[str]


class OtherTemperature(TypedDict):
    """A second temperature of a joint."""

    value: str
    label: str


class DriveStatus(TypedDict):
    """The state and fault that a drive reports; `calm` says that it has no fault."""

    state: NotRequired[str]
    state_age: NotRequired[str]
    fault: NotRequired[str]
    fault_age: NotRequired[str]
    calm: NotRequired[str]


class JointStatus(TypedDict):
    """The row of one joint."""

    name: str
    label: str
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
    ahead: NotRequired[Ahead]


class TileStatus(TypedDict):
    """The tile of one of many joints; what a quiet tile does not show is absent."""

    name: str
    label: str
    pen: int
    mark: str
    state: str
    under: str
    stale: bool
    temperature: str
    limits: list[TemperatureLevel]
    now: NotRequired[float]
    will: NotRequired[float]
    limit_time: NotRequired[LimitTime]
    reason: NotRequired[str]
    fault: NotRequired[str]


class Tiles(TypedDict):
    """Tiles in the order of the bench; `order`: their indices worst first, of `full` in full."""

    low: float
    high: float
    order: list[int]
    full: int
    summary: str
    rest: str
    rest_note: str
    joints: list[TileStatus]


class CampaignStatus(TypedDict):
    """The plan that is followed: stage, how far it is, when it is expected to end ("": unknown)."""

    stage: str
    progress: str
    end: str


class BusLine(TypedDict):
    """One of several buses: frames a second, load in per cent, and who on it is silent."""

    name: str
    rate: str
    load: str
    mark: str
    says: str


class AlertRow(TypedDict):
    """An open alert: headline (`label` without severity), peak, details, actions and its sound."""

    number: int
    mark: str
    headline: str
    label: str
    peak: str
    detail: str
    deliveries: NotRequired[str]
    actions: list[str]
    sound: str
    rank: float


class AlertSummary(TypedDict):
    """The alerts behind the first one, as one line."""

    mark: str
    headline: str
    detail: str


class Facts(TypedDict):
    """Figures of the recorder."""

    rate: str
    load: str
    disk: str
    open: str


class Stop(TypedDict):
    """The recorder stopped or the recording ended: since how long, at which time, its length."""

    ended: bool
    duration: str
    time: str
    elapsed: str


class Silence(TypedDict):
    """No joint is received: since how long, and when the last one was."""

    duration: str
    time: str


class Status(TypedDict):
    """Everything that the Live page shows besides its figure."""

    name: str
    path: str
    since: str
    elapsed: str
    clock: str
    zone: str
    facts: Facts
    buses: list[BusLine]
    joints: list[JointStatus]
    tiles: NotRequired[Tiles]
    drawn: str
    alerts: list[AlertRow]
    more_alerts: NotRequired[AlertSummary]
    remarks: list[str]
    campaign: NotRequired[CampaignStatus]
    stopped: NotRequired[Stop]
    quiet: NotRequired[Silence]


class StatusMessage(TypedDict):
    """The changes of the status; `whole`: all of it, replacing everything before."""

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
    """The changes of alerts, gaps and notes in the sheet, as edits of its two lists."""

    kind: Literal["marks"]
    shapes: list[Any]
    lane: list[Any]


class NothingMessage(TypedDict):
    """Nothing is being recorded, or nothing can be read (`fault`); `last`: the recording before."""

    kind: Literal["nothing"]
    last: str
    fault: str
    ack: int
