"""What the Limits page asks: limits, recordings and a bad end, checked as it comes in. Pure."""

import re
from dataclasses import dataclass
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

from logger.errors import InputError
from logger.limits.limit import LimitSet, limits_from_tables
from logger.settings_file import validate_settings
from replay.tuning.sweep_file import BadEnd

__all__ = [
    "FORMER_DEPLOY_PATH",
    "LIMITS_VIEW_PATH",
    "MAX_LIMITS_REQUEST_BYTES",
    "MAX_TEXT_CHARS",
    "TRIAL_PATHS",
    "DeployRequest",
    "LimitsRequest",
    "PageRequest",
    "VariedKey",
    "VaryRequest",
    "split_mistakes",
]

LIMITS_VIEW_PATH: Final = "/judge"
FORMER_DEPLOY_PATH: Final = f"{LIMITS_VIEW_PATH}/hand-over"
TRIAL_PATHS: Final = frozenset(
    f"{LIMITS_VIEW_PATH}/{name}"
    for name in ("ask", "curve", "exact", "sweep", "text", "stop", "read")
)
"""What is posted to without anything being written."""

MAX_LIMITS_REQUEST_BYTES: Final = 400_000
MAX_TEXT_CHARS: Final = 200_000
MAX_RECORDINGS: Final = 40
MAX_LIMITS: Final = 200
_LIMIT_MISTAKE: Final = re.compile(
    r"^limits: limit\[(\d+)\](?:\.([A-Za-z0-9_]+))?(?:\[\d+\])?: (.*)$", re.S
)


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
    known: Annotated[str, Field(max_length=4000)] = ""
    """What the page has drawn of the measures; the same is not sent again."""
    account: Annotated[str, Field(max_length=MAX_TEXT_CHARS)] = ""
    """A limits file that a sweep made; it is the better one to save where it has these limits."""
    theme: str = "light"
    offset_min: float = 0.0
    """The reader's time zone."""

    def parse_limits(self) -> LimitSet:
        """Return the limits.

        Raises
        ------
        InputError
            One sentence for each mistake.
        """
        return limits_from_tables(self.tables, "limits", text=self.base)

    def parse_bad_end(self) -> BadEnd | None:
        """Return the bad end, None where none is said.

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


@dataclass(frozen=True, slots=True, kw_only=True)
class InputMistake:
    """What is wrong about one limit."""

    index: int
    """Of the limit on the page, from 0; -1: of none in particular."""
    key: str
    text: str

    def to_json(self) -> dict[str, Any]:
        """Return it as plain content."""
        return {"index": self.index, "key": self.key, "said": self.text}


def split_mistakes(fault: InputError) -> list[dict[str, Any]]:
    """Return the sentences of `LimitsRequest.parse_limits` with the limit and key that each is of."""
    mistakes = []
    for line in str(fault).splitlines():
        match = _LIMIT_MISTAKE.match(line)
        if match is None:
            mistakes.append(InputMistake(index=-1, key="", text=line))
        else:
            index, key, text = match.groups()
            mistakes.append(InputMistake(index=int(index) - 1, key=key or "", text=text))
    return [mistake.to_json() for mistake in mistakes]
