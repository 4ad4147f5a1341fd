"""The tell file: whom to tell of alerts, and of which.

It stands apart from bench and limits, which travel into every recording: an address may hold a
secret. A mistake is answered with the file, the key, what stands there and what would be right.
"""

from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, field_validator

from logger.errors import InputError
from logger.limits.limit import Severity
from logger.settings_file import SettingError, Settings, read_text, read_toml, validate_settings

__all__ = ["Apprise", "Command", "NotifySettings", "NotifyTarget", "Webhook", "read_notify"]

NotifiableEvent = Literal["raised", "returned", "acknowledged", "bus lost", "bus back", "ended"]


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
    """Alerts of less than this are not told."""
    of: tuple[NotifiableEvent, ...] = ("raised", "returned")
    """What is told."""


class Webhook(_Target):
    """A JSON POST."""

    url: Annotated[str, AfterValidator(_check_web_address)]
    headers: dict[str, str] = Field(default_factory=dict)
    timeout_s: float = Field(default=10.0, gt=0, le=60)


class Command(_Target):
    """A program, with the message as JSON on its standard input."""

    run: tuple[str, ...] = Field(min_length=1)
    """Program and arguments, no shell; "{text}" in an argument stands for the sentence."""
    timeout_s: float = Field(default=30.0, gt=0, le=600)


class Apprise(_Target):
    """Whatever the apprise library reaches."""

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
        """All of them."""
        return (*self.webhook, *self.command, *self.apprise)


def read_notify(path: Path) -> NotifySettings:
    """Return whom a file says to tell.

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
            f"{path}: found nobody to tell; expected a [[webhook]], [[command]] or [[apprise]]."
        )
    return settings
