"""The tables of the bench file that describe one joint, or a sensor. Pure data."""

import re
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, field_validator

from logger.joint.bench.claims import Claims
from logger.joint.bench.code_names import CodeNames, FlagNames
from logger.joint.bench.identifiers import MAX_EXTENDED_ID, Identifier
from logger.joint.bench.instrument_clock import InstrumentClock
from logger.joint.bench.layout import MAX_PERIOD_S, DictionaryObject
from logger.joint.bench.stop_frame import StopFrame
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.joint.bench.value import ChannelName, Encoder, Ntc, Slot
from logger.joint.channels import explain_channel_name, is_channel
from logger.settings_file import SettingError, Settings

__all__ = [
    "CURRENT_CONVENTIONS",
    "JointSettings",
    "PdoMapping",
    "PerMilleBase",
    "RatedValues",
    "Sensor",
    "SensorLag",
    "SensorSettings",
    "TorqueSettings",
    "ValueOverride",
    "WindingSettings",
    "parse_mapping_entry",
]

MAX_LABEL_LENGTH: Final = 40
"""Characters of a label: what a card and the margin of a narrow page hold."""

_MAPPING_ENTRY = re.compile(
    r"(?:0[xX](?P<index>[0-9a-fA-F]{4})|(?P<index_>[0-9a-fA-F]{4})h)"
    r"(?:\s*:\s*(?P<sub>[0-9]{1,3}))?(?:\s*/\s*(?P<bits>[0-9]{1,2}))?"
)


def parse_mapping_entry(written: str | int) -> tuple[int, int, int | None]:
    """Return index, sub-index and bits of an entry such as "0x6064/32", "6064h:0/32" or 0x60640020.

    A number is the entry of a drive's own mapping objects (1A00h...): index, sub-index, bits.
    Raises ValueError when it is none of these.
    """
    if isinstance(written, int):
        index, sub, bits = written >> 16, written >> 8 & 0xFF, written & 0xFF
        if 0 < index <= 0xFFFF and 0 < bits <= 64:
            return index, sub, bits
    else:
        match = _MAPPING_ENTRY.fullmatch(written.strip())
        if match is not None:
            length = int(match["bits"]) if match["bits"] else None
            sub = int(match["sub"] or 0)
            if sub <= 0xFF and (length is None or 0 < length <= 64):
                return int(match["index"] or match["index_"], 16), sub, length
    shown_entry = f"0x{written:X}" if isinstance(written, int) else repr(written)
    raise SettingError(
        "",
        found=f"{shown_entry}",
        expected=(
            "an object such as '0x6064/32', '0x6064:0/32' or 0x60640020 (index, sub-index, bits)"
        ),
    )


def _check_mapping_entry(entry: str | int) -> str | int:
    parse_mapping_entry(entry)
    return entry


MappingEntries = Annotated[
    tuple[Annotated[str | int, AfterValidator(_check_mapping_entry)], ...], Field(min_length=1)
]


CURRENT_CONVENTIONS: Final = {
    "phase_peak": "the amplitude of a phase's current",
    "phase_rms": "its effective value, 0.707 of the amplitude",
    "supply": "what the drive draws from its supply",
}
"""What an ampere can be, in words. Nothing is converted: it stands with the column in a recording,
and torque, rated and winding settings, and limits, are for the current as it is reported."""


class CurrentSettings(Settings):
    """What the drive calls a current; a factor of 1.41 hides here."""

    convention: Literal["phase_peak", "phase_rms", "supply"] = "phase_peak"

    @field_validator("convention", mode="before")
    @classmethod
    def _is_known(cls, convention: Any) -> Any:  # noqa: ANN401 - raw settings
        if not isinstance(convention, str) or convention not in CURRENT_CONVENTIONS:
            known = "; ".join(f"'{name}', {what}" for name, what in CURRENT_CONVENTIONS.items())
            raise SettingError("", found=f"{convention!r}", expected=f"one of {known}")
        return convention


class TorqueSettings(Settings):
    """The relation of torque and current."""

    source: Literal["current"] | None = Field(default=None, alias="from")
    """"current": the joint reports no torque, and it is computed; marked as derived."""
    per_ampere: float = Field(gt=0, description="N.m at the output for one ampere")


class WindingSettings(Settings):
    """The electrical resistance of the winding, as its loss is I^2 R for the current reported."""

    resistance_ohm: float = Field(gt=0)
    reference_degC: float = Field(default=20.0, ge=-60, le=200)  # noqa: N815 - the unit's spelling
    """The temperature at which it was measured."""


class SensorLag(Settings):
    """With which time constants a joint's own temperature sensors follow what they are on."""

    winding_s: float | None = Field(default=None, ge=0, le=3600)
    """0: none, and no fit looks for one; left out: a fit looks for it."""
    housing_s: float | None = Field(default=None, ge=0, le=3600)

    @property
    def seconds(self) -> dict[str, float | None]:
        """What a sensor is on (`winding`, `housing`) -> its time constant, in that order."""
        return {"winding": self.winding_s, "housing": self.housing_s}


class RatedValues(Settings):
    """The maker's figures, for comparison."""

    torque: float | None = Field(default=None, gt=0)
    current: float | None = Field(default=None, gt=0)
    voltage: float | None = Field(default=None, gt=0)


class PerMilleBase(Settings):
    """What 1000 per mille are, where a joint reports shares; left out, they are the rated value."""

    torque: float | Literal["current"] | None = None
    """In N.m at the output; "current": the drive's torque is a share of the rated *current*, made
    N.m by `torque.per_ampere`."""
    current: float | None = Field(default=None, gt=0)
    voltage: float | None = Field(default=None, gt=0)

    @field_validator("torque")
    @classmethod
    def _is_positive(cls, torque: float | str | None) -> float | str | None:
        if isinstance(torque, float | int) and torque <= 0:
            raise SettingError("", found=f"{torque:g}", expected="greater than 0")
        return torque


class PdoMapping(Settings):
    """What a frame carries that is mapped in the drive."""

    objects: MappingEntries
    identifier: Identifier | None = None
    """Where the drive was given another than the default."""
    period_s: float | None = Field(default=None, gt=0, le=MAX_PERIOD_S)


def _mapping_from_list(given: Any) -> Any:  # noqa: ANN401 - raw settings
    """Accept a list of objects as a table with nothing else."""
    return {"objects": given} if isinstance(given, list | tuple) else given


class ValueOverride(Settings):
    """Where this joint differs from its layout, for one channel."""

    signed: bool | None = None
    scale: float | None = None
    offset: float | None = None
    unit: str | None = None
    per_turn: float | None = Field(default=None, gt=0)
    side: Literal["output", "motor"] | None = None
    encoder: Encoder | None = None
    resistance: Literal["pt100"] | Ntc | None = None
    no_value: tuple[int | str, ...] | None = None
    names: CodeNames | None = None
    flags: FlagNames | None = None


def _check_label(label: str) -> str:
    if not label.isprintable():
        raise SettingError("", found=f"{label!r}", expected="words on one line")
    return label


Label = Annotated[str, Field(max_length=MAX_LABEL_LENGTH), AfterValidator(_check_label)]


class JointSettings(Settings):
    """One joint on the bench."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)
    """Its key: in commands, limits, files and JSON answers."""
    label: Label = ""
    """What people call it, where it is named to people; left away: its name."""
    serial: Annotated[str, Field(max_length=80), AfterValidator(_check_label)] = ""
    """Of the specimen: two recordings with it speak of one and the same joint."""
    type: Annotated[str, Field(max_length=80), AfterValidator(_check_label)] = ""
    """Of its kind, as the maker calls it: two specimens of it can be compared."""
    mounting: Annotated[str, Field(max_length=200), AfterValidator(_check_label)] = ""
    """On what it is mounted, in the words of the claims: what it bears depends on it."""
    claims: Claims = Field(default_factory=dict)
    """What its maker says: quantity with unit -> value, held against what is measured."""
    layout: str
    bus: str | None = None
    """Name of the bus it is wired to; needed where there are several."""
    node: int = Field(default=0, ge=0, le=MAX_EXTENDED_ID)
    slot: Slot = 0
    """Which values are this joint's in a frame that carries those of several, counted from 0."""
    gear_ratio: float = Field(default=1.0, gt=0)
    """Motor turns per output turn."""
    reversed: bool = False
    zero_rad: float = 0.0
    """What the joint reports as its position, in rad at the output, where it shall be zero."""
    current: CurrentSettings = CurrentSettings()
    torque: TorqueSettings | None = None
    winding: WindingSettings | None = None
    """With it a fit of heat is told in K/W and J/K."""
    sensor_lag: SensorLag = SensorLag()
    thermal: ThermalSettings | None = None
    """A fitted model of its heat: with it the recorder forecasts its temperatures."""
    rated: RatedValues = RatedValues()
    per_mille: PerMilleBase = PerMilleBase()
    turns_known_for_s: float = Field(default=0.25, gt=0, le=3600)
    """The longest silence after which the turns of a single-turn encoder are still known."""
    turns_found_within_s: float = Field(default=2.0, ge=0, le=31_536_000)
    """The longest silence after which lost turns are found again by its set-points: shorter than it
    takes to switch the joint off and on, since its drive may then count from another turn. 0:
    never."""
    stop: StopFrame | None = None
    """The frame that is sent on a trip with `record --send-stop-on-trip`."""
    value: dict[str, ValueOverride] = Field(default_factory=dict)
    """Channel -> where this joint differs from its layout."""
    object: tuple[DictionaryObject, ...] = ()
    """Entries of the drive's object dictionary that its layout does not know."""
    mapping: dict[str, Annotated[PdoMapping, BeforeValidator(_mapping_from_list)]] = Field(
        default_factory=dict
    )
    """Frame -> the objects that it carries, where the layout leaves that to the drive."""

    @field_validator("layout")
    @classmethod
    def _is_a_name(cls, layout: str) -> str:
        if not layout or re.search(r"[/\\]|\.toml$", layout):
            raise SettingError(
                "",
                found=f"{layout!r}",
                expected=(
                    "the name of a layout, without folder and without .toml; its file "
                    "stands beside the bench file"
                ),
            )
        return layout

    @field_validator("value")
    @classmethod
    def _are_channels(cls, value: dict[str, ValueOverride]) -> dict[str, ValueOverride]:
        for name in value:
            if not is_channel(name):
                expected, hint = explain_channel_name(name)
                raise SettingError("", found=f"{name!r}", expected=expected, hint=hint)
        return value


class SensorSettings(Settings):
    """Another source of values next to the joints: a thermocouple, a load cell."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)
    label: Label = ""
    channels: tuple[ChannelName, ...] = Field(min_length=1)
    hold_s: float = Field(default=1.0, gt=0, le=86_400)
    """How long a value holds at most."""
    clock: InstrumentClock | None = None
    """The correction of its times that is in force; None: they are as they came."""


class Sensor(JointSettings):
    """A sensor as a joint of its own: it has readings, and no frames."""

    channels: tuple[str, ...]
    hold_s: float
    clock: InstrumentClock | None = None

    @property
    def settings(self) -> SensorSettings:
        """Its table of the bench file."""
        return SensorSettings(
            name=self.name,
            label=self.label,
            channels=self.channels,
            hold_s=self.hold_s,
            clock=self.clock,
        )
