"""The question of a planned motion, as a page posts it. Pure."""

from typing import Annotated, Final

from pydantic import ConfigDict, Field

from dashboard.heat.heat_query import HeatQuery

__all__ = ["MAX_MOTION_CHARS", "MOTION_PATH", "MotionRequest"]

MOTION_PATH: Final = "/api/heat/motion"
MAX_MOTION_CHARS: Final = 250_000
"""Some ten thousand rows; the command takes longer files."""


class MotionRequest(HeatQuery):
    """Which motion, on which joint, and where the rules stand; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")

    recording: Annotated[str, Field(max_length=400)]
    file: Annotated[str, Field(max_length=400)]
    """The file's name."""
    text: Annotated[str, Field(max_length=MAX_MOTION_CHARS)]
    """What the file holds."""
    factor: Annotated[float, Field(ge=0.01, le=100.0)] = 1.0
    stretch: Annotated[float, Field(ge=0.01, le=100.0)] = 1.0
    times: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """How often it is done; None: for ever."""
