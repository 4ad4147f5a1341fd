"""What the Limits page asks: limits, recordings and a bad end, checked as it comes in. Pure."""

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
"""What is posted to without anything being written."""

MAX_LIMITS_REQUEST_BYTES: Final = 400_000
MAX_TEXT_CHARS: Final = 200_000
MAX_RECORDINGS: Final = 40
MAX_LIMITS: Final = 200


class PageRequest(BaseModel):
    """What a page sends: nothing that is not known."""

    model_config = ConfigDict(extra="forbid")


class LimitsRequest(PageRequest):
    """Limits on recordings."""

    recordings: Annotated[list[str], Field(max_length=MAX_RECORDINGS)]
    base: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = "format = 1\n"
    """The limits file that was begun with."""
    tables: Annotated[list[dict[str, Any]], Field(max_length=MAX_LIMITS)]
    """The limits as they stand on the page."""
    bad_end: dict[str, Any] | None = None
    chosen: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = ""
    """The limit that is looked at."""
    whole: bool = False
    """Whether all limits together are asked for as well."""
    shapes_key: Annotated[str, Field(max_length=4000)] = ""
    """What the page has drawn of the measures; the same is not sent again."""
    account: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = ""
    """A limits file that a sweep made; it is the better one to save where it has these limits."""
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
    """One key and the values that a sweep gives it."""

    limit: str
    key: str
    start: Annotated[float, Field(allow_inf_nan=False)]
    to: Annotated[float, Field(allow_inf_nan=False)]
    steps: Annotated[int, Field(ge=2, le=1000)]


class VaryRequest(LimitsRequest):
    """The same with one or two keys that are to be varied."""

    vary: Annotated[list[VariedKey], Field(min_length=1, max_length=2)]


class DeployRequest(PageRequest):
    """Limits for the logger that writes a recording."""

    recording: str
    base: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = "format = 1\n"
    tables: Annotated[list[dict[str, Any]], Field(max_length=MAX_LIMITS)]
    who: Annotated[str, Field(max_length=60)] = ""
