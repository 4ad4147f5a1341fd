"""The requests of the Limits page: limits, recordings and a bad end, validated. Pure."""

from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

from logger.limits.limit import LimitSet, limits_from_tables
from logger.settings_file import validate_settings
from replay.tuning.sweep_file import BadEnd

__all__ = [
    "DEPLOY_PATH",
    "LIMITS_PATH",
    "MAX_LIMITS_REQUEST_BYTES",
    "MAX_TEXT_CHARS",
    "TRIAL_PATHS",
    "DeployRequest",
    "LimitsRequest",
    "PageRequest",
    "VariedKey",
    "VaryRequest",
]

LIMITS_PATH: Final = "/api/limits"
DEPLOY_PATH: Final = f"{LIMITS_PATH}/deploy"
TRIAL_PATHS: Final = frozenset(
    f"{LIMITS_PATH}/{name}"
    for name in ("evaluate", "curve", "exact", "sweep", "file", "jobs/stop", "parse")
)
"""Paths of POST requests that write nothing."""

MAX_LIMITS_REQUEST_BYTES: Final = 400_000
MAX_TEXT_CHARS: Final = 200_000
MAX_RECORDINGS: Final = 40
MAX_LIMITS: Final = 200


class PageRequest(BaseModel):
    """The body of a page's POST; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class LimitsRequest(PageRequest):
    """Limits on recordings."""

    recordings: Annotated[list[str], Field(max_length=MAX_RECORDINGS)]
    base: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = "format = 1\n"
    """The limits file that the page started from."""
    tables: Annotated[list[dict[str, Any]], Field(max_length=MAX_LIMITS)]
    """The limits as they are on the page."""
    bad_end: dict[str, Any] | None = None
    chosen: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = ""
    """Name of the selected limit."""
    whole: bool = False
    """Whether all limits together are evaluated, too."""
    shapes_key: Annotated[str, Field(max_length=4000)] = ""
    """Key of the traces that the page has drawn; the same are not sent again."""
    account: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = ""
    """A limits file that a sweep made, which is saved if it has these very limits."""
    theme: str = "light"
    zone: Annotated[str, Field(max_length=100)] = ""
    """The name of the reader's time zone."""

    def parse_limits(self) -> LimitSet:
        """Return the limits.

        Raises
        ------
        InputError
            Each mistake with its limit and key.
        """
        return limits_from_tables(self.tables, "limits", text=self.base)

    def parse_bad_end(self) -> BadEnd | None:
        """Return the bad end, None where none is given.

        Raises
        ------
        InputError
            It is none.
        """
        return None if self.bad_end is None else validate_settings(BadEnd, self.bad_end, "bad end")


class VariedKey(PageRequest):
    """One key, and the range of values that a sweep gives it."""

    limit: str
    key: str
    start: Annotated[float, Field(allow_inf_nan=False)]
    to: Annotated[float, Field(allow_inf_nan=False)]
    steps: Annotated[int, Field(ge=2, le=1000)]


class VaryRequest(LimitsRequest):
    """Limits on recordings with one or two keys to be varied."""

    vary: Annotated[list[VariedKey], Field(min_length=1, max_length=2)]


class DeployRequest(PageRequest):
    """Limits for the recorder that writes a recording."""

    recording: str
    base: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = "format = 1\n"
    tables: Annotated[list[dict[str, Any]], Field(max_length=MAX_LIMITS)]
    who: Annotated[str, Field(max_length=60)] = ""
