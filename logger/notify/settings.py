"""The tell file: the targets that get messages about events, and about which events.

Separate from bench and limits, which are copied into every recording: an address may hold a secret.
A mistake is reported with file, key, found and expected.
"""

from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, field_validator

from logger.errors import InputError
from logger.limits.limit import Severity
from logger.settings_file import SettingError, Settings, read_text, read_toml, validate_settings

__all__ = ["Apprise", "Command", "NotifySettings", "NotifyTarget", "Webhook", "read_notify"]

NotifiableEvent = Literal[
    "raised", "returned", "acknowledged", "shelved", "unshelved", "bus lost", "bus back",
    "limit not judged", "limit judged again", "model left", "model holds again", "ended",
    "stage begun", "stage ended", "plan done", "cycles missing", "cycles again", "day over",
    "disk short", "disk forecast", "frames let go",
]  # fmt: skip


def _check_web_address(address: str) -> str:
    parts = urlsplit(address)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise SettingError(
            "", found=f"{address!r}", expected="an address such as https://host/path"
        )
    return address


class _Target(Settings):
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=40)
    least: Severity = "warning"
    """Least severity of an alert for which a message is sent."""
    of: tuple[NotifiableEvent, ...] = (
        *("raised", "returned"),
        *("stage ended", "plan done", "cycles missing", "cycles again", "day over"),
        "disk short",
    )
    """Kinds of events about which a message is sent; the latter come where a plan is followed."""


class Webhook(_Target):
    """A JSON POST."""

    url: Annotated[str, AfterValidator(_check_web_address)]
    headers: dict[str, str] = Field(default_factory=dict)
    timeout_s: float = Field(default=10.0, gt=0, le=60)


class Command(_Target):
    """A program, with the message as JSON on its standard input."""

    run: tuple[str, ...] = Field(min_length=1)
    """Program and arguments, no shell; "{text}" in an argument is replaced by the sentence."""
    timeout_s: float = Field(default=30.0, gt=0, le=600)


class Apprise(_Target):
    """Any service that the apprise library reaches."""

    url: str = Field(min_length=1)


NotifyTarget = Webhook | Command | Apprise


class NotifySettings(Settings):
    """The content of a tell file."""

    format: Literal[1]
    webhook: tuple[Webhook, ...] = ()
    command: tuple[Command, ...] = ()
    apprise: tuple[Apprise, ...] = ()

    @field_validator("apprise")
    @classmethod
    def _is_installed(cls, targets: tuple[Apprise, ...]) -> tuple[Apprise, ...]:
        if targets:
            try:
                import apprise  # noqa: F401, PLC0415 - an optional extra
            except ImportError:
                raise ValueError(
                    "found a target of the apprise library, which is not installed; expected it: "
                    'pip install "dutytrace[notices]".'
                ) from None
        return targets

    @property
    def all_targets(self) -> tuple[NotifyTarget, ...]:
        """The targets of all kinds."""
        return (*self.webhook, *self.command, *self.apprise)


def read_notify(path: Path) -> NotifySettings:
    """Return the targets of a tell file.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    settings = validate_settings(
        NotifySettings, read_toml(read_text(path, "tell file"), str(path)), str(path)
    )
    names = [target.name for target in settings.all_targets]
    for name in names:
        if names.count(name) > 1:
            raise InputError(
                f"{path}: found the name {name!r} twice, expected one target of each name."
            )
    if not names:
        raise InputError(
            f"{path}: found no target; expected a [[webhook]], [[command]] or [[apprise]]."
        )
    return settings
