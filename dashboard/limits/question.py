"""What the Limits page asks: limits, recordings and a bad end, checked as it comes in. Pure."""

import re
from dataclasses import dataclass
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

from logger.errors import InputError
from logger.limits.limit import LimitSet, limits_of
from logger.settings_file import checked
from replay.tuning.sweep_file import BadEnd

__all__ = [
    "BODY_MOST",
    "HAND_OVER_PATH",
    "JUDGE_PATH",
    "TEXT_MOST",
    "TRY_PATHS",
    "Asked",
    "HandOver",
    "Question",
    "Varied",
    "VaryOne",
    "mistakes_of",
]

JUDGE_PATH: Final = "/judge"
HAND_OVER_PATH: Final = f"{JUDGE_PATH}/hand-over"
TRY_PATHS: Final = frozenset(
    f"{JUDGE_PATH}/{name}" for name in ("ask", "curve", "exact", "sweep", "text", "stop", "read")
)
"""What is posted to without anything being written."""

BODY_MOST: Final = 400_000
TEXT_MOST: Final = 200_000
RECORDINGS_MOST: Final = 40
LIMITS_MOST: Final = 200
_PLACE: Final = re.compile(
    r"^limits: limit\[(\d+)\](?:\.([A-Za-z0-9_]+))?(?:\[\d+\])?: (.*)$", re.S
)


class Asked(BaseModel):
    """What a page sends: nothing that is not known."""

    model_config = ConfigDict(extra="forbid")


class Question(Asked):
    """Limits on recordings."""

    recordings: Annotated[list[str], Field(max_length=RECORDINGS_MOST)]
    base: Annotated[str, Field(max_length=TEXT_MOST)] = "format = 1\n"
    """The limits file that was begun with."""
    tables: Annotated[list[dict[str, Any]], Field(max_length=LIMITS_MOST)]
    """The limits as they stand on the page."""
    bad_end: dict[str, Any] | None = None
    chosen: Annotated[str, Field(max_length=TEXT_MOST)] = ""
    """The limit that is looked at."""
    whole: bool = False
    """Whether all limits together are asked for as well."""
    known: Annotated[str, Field(max_length=4000)] = ""
    """What the page has drawn of the measures; the same is not sent again."""
    account: Annotated[str, Field(max_length=TEXT_MOST)] = ""
    """A limits file that a sweep made; it is the better one to save where it has these limits."""
    theme: str = "light"
    offset_min: float = 0.0
    """The reader's time zone."""

    def limits(self) -> LimitSet:
        """Return the limits.

        Raises
        ------
        InputError
            One sentence for each mistake.
        """
        return limits_of(self.tables, "limits", text=self.base)

    def said(self) -> BadEnd | None:
        """Return the bad end, None where none is said.

        Raises
        ------
        InputError
            It is none.
        """
        return None if self.bad_end is None else checked(BadEnd, self.bad_end, "bad end")


class VaryOne(Asked):
    """One key and the values that a sweep gives it."""

    limit: str
    key: str
    start: Annotated[float, Field(allow_inf_nan=False)]
    to: Annotated[float, Field(allow_inf_nan=False)]
    steps: Annotated[int, Field(ge=2, le=1000)]


class Varied(Question):
    """The same with one or two keys that are to be varied."""

    vary: Annotated[list[VaryOne], Field(min_length=1, max_length=2)]


class HandOver(Asked):
    """Limits for the logger that writes a recording."""

    recording: str
    base: Annotated[str, Field(max_length=TEXT_MOST)] = "format = 1\n"
    tables: Annotated[list[dict[str, Any]], Field(max_length=LIMITS_MOST)]
    who: Annotated[str, Field(max_length=60)] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """What is wrong about one limit."""

    index: int
    """Of the limit on the page, from 0; -1: of none in particular."""
    key: str
    said: str

    def plain(self) -> dict[str, Any]:
        """Return it as plain content."""
        return {"index": self.index, "key": self.key, "said": self.said}


def mistakes_of(fault: InputError) -> list[dict[str, Any]]:
    """Return the sentences of `Question.limits` with the limit and key that each is of."""
    found = []
    for line in str(fault).splitlines():
        match = _PLACE.match(line)
        if match is None:
            found.append(Mistake(index=-1, key="", said=line))
        else:
            index, key, said = match.groups()
            found.append(Mistake(index=int(index) - 1, key=key or "", said=said))
    return [one.plain() for one in found]
