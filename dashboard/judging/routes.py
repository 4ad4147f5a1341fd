"""The routes of the Limits page: asking, exact work, sweeps, saving, handing over.

All but the last write nothing anywhere: they are posted because limits do not fit into an address,
and a read-only server lets them through. Handing over drops a request into the inbox of the logger
that writes a recording.
"""

import threading
from collections.abc import Callable
from typing import Any, Final

import numpy as np
from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse

from dashboard.figures.load import LENGTHS_S, Loaded, load_figure
from dashboard.guard import Guard
from dashboard.judging import forms
from dashboard.judging.question import BODY_MOST, HandOver, Question, Varied, asked_of, mistakes_of
from dashboard.judging.reply import answered
from dashboard.judging.toil import Toil
from dashboard.judging.work import exactly, sweep_of, sweep_text, swept
from dashboard.shelf import Shelf
from dashboard.theme import LIGHT, THEMES, clock, day, elapsed, zone
from logger.errors import DutytraceError, InputError
from logger.limits.curve_table import curve_of, curve_table
from logger.limits.edited import edited_text, tables_of
from logger.limits.evaluate import spoken
from logger.limits.inverse_time import InverseTime
from logger.limits.limit import LimitSet, limits_from
from logger.limits.thermal import Thermal
from logger.limits.explained import example_text
from replay.recording import Recording
from replay.tuning.desk import Desk
from replay.tuning.stretches import heaviest, stretches_above

__all__ = ["HAND_OVER_PATH", "JUDGE_PATH", "TRY_PATHS", "add_judging_routes"]

JUDGE_PATH: Final = "/judge"
HAND_OVER_PATH: Final = f"{JUDGE_PATH}/hand-over"
TRY_PATHS: Final = frozenset(
    f"{JUDGE_PATH}/{name}" for name in ("ask", "curve", "exact", "sweep", "text", "stop", "read")
)
"""What is posted to without anything being written."""


class _Judging:
    """What the routes share."""

    def __init__(self, shelf: Shelf, stop: threading.Event) -> None:
        self.shelf = shelf
        self.desk = Desk()
        self.toil = Toil(stop)

    def opened(self, asked: Question) -> list[Recording]:
        return [self.shelf.open(name) for name in dict.fromkeys(asked.recordings)]

    def ask(self, asked: Question) -> dict[str, Any]:
        try:
            limits = asked.limits()
        except InputError as fault:
            return {"mistakes": mistakes_of(fault)}
        told: dict[str, Any] = answered(asked, limits, self.opened(asked), self.desk)
        return told

    def exact(self, asked: Question, owner: str) -> dict[str, Any]:
        limits, said, opened = asked.limits(), asked.said(), self.opened(asked)
        if not asked.whole:
            chosen = limits.named(asked.chosen)
            limits = LimitSet(limits=() if chosen is None else (chosen,))
        number = self.toil.begin(
            f"{owner} exact",
            lambda means: exactly(self.desk, opened, limits, said, means),
        )
        return {"number": number}

    def sweep(self, asked: Varied, owner: str) -> dict[str, Any]:
        asked.limits()
        sweep, opened = sweep_of(asked), self.opened(asked)
        said = asked.said()
        assert said is not None, "sweep_of has seen to it"
        number = self.toil.begin(
            f"{owner} sweep", lambda means: swept(sweep, opened, asked, means)
        )
        return {
            "number": number,
            "candidates": len(sweep.candidates),
            "file": sweep_text(said, asked),
        }

    def curve(self, asked: Question) -> dict[str, Any]:
        """Return the time-current picture of the chosen limit."""
        limits = asked.limits()
        limit = limits.named(asked.chosen)
        if not isinstance(limit, InverseTime | Thermal):
            return {"figure": None}
        loads, drawn = [], None
        opened = self.opened(asked)
        for recording in opened:
            for joint, own in self.desk.on(recording, limit):
                assert isinstance(own, InverseTime | Thermal), "it is the same limit"
                settings, _ = curve_of(LimitSet(limits=(own,)), own.name)
                drawn = drawn or curve_table(settings)
                sketch = self.desk.sketch(recording, joint, own.channel, "rms")
                rms = sketch.values[:, 0]
                above = stretches_above(sketch.start_ns, rms, settings.setting)
                loads.append(
                    Loaded(
                        name=joint if len(opened) == 1 else f"{recording.name}, {joint}",
                        pen=recording.joints.index(joint) + 1,
                        heaviest=heaviest(sketch.start_ns, rms, LENGTHS_S),
                        duration_s=above.duration_s,
                        rms=above.rms,
                    )
                )
        if drawn is None:
            alone = spoken(limit, _no_rated())
            if alone is None:
                return {"figure": None}
            settings, _ = curve_of(LimitSet(limits=(limit,)), limit.name)
            drawn = curve_table(settings)
        current, time_s = drawn.drawn()
        unit = forms.channels_told([limit.channel])[0]["unit"]
        theme = THEMES.get(asked.theme, LIGHT)
        return {
            "title": drawn.title,
            "figure": load_figure(
                np.asarray(current), np.asarray(time_s), loads, unit=unit, theme=theme
            ),
        }
