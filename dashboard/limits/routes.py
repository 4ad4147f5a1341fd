"""The routes of the Limits page: asking, exact work, sweeps, saving, handing over.

All but the last write nothing anywhere: they are posted because limits do not fit into an address,
and a read-only server lets them through. Handing over drops a request into the inbox of the logger
that writes a recording.
"""

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Any

import numpy as np
from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from dashboard.figures.load import LENGTHS_S, Curved, Loaded, load_figure
from dashboard.limits import forms
from dashboard.limits.job_queue import Toil
from dashboard.limits.jobs import exactly, sweep_of, swept
from dashboard.limits.provenance import provenance, without_provenance
from dashboard.limits.question import (
    BODY_MOST,
    HAND_OVER_PATH,
    JUDGE_PATH,
    TEXT_MOST,
    Asked,
    HandOver,
    Question,
    Varied,
    mistakes_of,
)
from dashboard.limits.reply import answered
from dashboard.replay.limits_token import token_of
from dashboard.replay.routes import answer
from dashboard.server.json_requests import RefusedError, fault, posted
from dashboard.server.origin_check import Guard
from dashboard.server.recording_cache import Shelf
from dashboard.text.theme import LIGHT, THEMES, begun, elapsed, zone
from logger.errors import DutytraceError, InputError
from logger.limits.curve_table import curve_of, curve_table
from logger.limits.describe import example_text
from logger.limits.inverse_time import InverseTime
from logger.limits.limit import LimitSet, limits_from, limits_of
from logger.limits.limits_text import edited_text, tables_of, with_comments
from logger.limits.thermal import Thermal
from logger.store.layout.manifest import versions
from logger.store.writing.inbox import hand_over
from replay.exploring.exposure import heaviest, stretches_above
from replay.exploring.limit_explorer import Desk
from replay.recording import Recording

__all__ = ["add_judging_routes"]


class _Number(Asked):
    number: int


class _Text(Asked):
    text: Annotated[str, Field(max_length=TEXT_MOST)]


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
        number = self.toil.begin(f"{owner} sweep", lambda means: swept(sweep, opened, asked, means))
        return {"number": number}

    def curve(self, asked: Question) -> dict[str, Any]:
        """Return the time-current picture of the chosen limit."""
        limits = asked.limits()
        limit = limits.named(asked.chosen)
        if not isinstance(limit, InverseTime | Thermal):
            return {"figure": None}
        loads: list[Loaded] = []
        curves: dict[float, Curved] = {}
        title = ""
        opened = self.opened(asked)
        for recording in opened:
            for joint, own in self.desk.on(recording, limit):
                assert isinstance(own, InverseTime | Thermal), "it is the same limit"
                settings, _ = curve_of(LimitSet(limits=(own,)), own.name)
                if settings.setting not in curves:
                    # A share of rated is another curve on each joint that is rated differently.
                    table = curve_table(settings)
                    current, time_s = table.drawn()
                    title = title or table.title
                    curves[settings.setting] = Curved(
                        names=[],
                        pen=recording.joints.index(joint) + 1,
                        current=np.asarray(current),
                        time_s=np.asarray(time_s),
                    )
                curves[settings.setting].names.append(joint)
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
        if not curves:
            return {"figure": None}
        unit = forms.channels_told([limit.channel])[0]["unit"]
        theme = THEMES.get(asked.theme, LIGHT)
        return {
            "title": title if len(curves) == 1 else f"{limit.name}, another curve for each rating",
            "figure": load_figure([*curves.values()], loads, unit=unit, theme=theme),
        }

    def text(self, asked: Question) -> dict[str, Any]:
        """Return the limits as a file that says where they were tried, and as an address does."""
        limits, said = asked.limits(), asked.said()
        if asked.account and limits_from(asked.account, "account").limits == limits.limits:
            # Nothing was turned since: its own account says how far the choice can be trusted.
            return {"text": asked.account, "token": token_of(asked.account)}
        text = edited_text(without_provenance(asked.base), asked.tables)
        tried = self.opened(asked) if asked.whole else []
        lines = provenance(
            [self.desk.answer(one, limits, said) for one in tried],
            said,
            version=versions()["dutytrace"],
            date=datetime.now(UTC).strftime("%Y-%m-%d"),
        )
        return {"text": with_comments(text, lines), "token": token_of(text)}

    def read(self, text: str, where: str) -> dict[str, Any]:
        """Return the limits of a file as the page edits them."""
        limits_from(text, where)
        tables = tables_of(text)
        return {
            "base": text,
            "tables": tables,
            "forms": [forms.kind_of(table) for table in tables],
        }

    def begin(self, name: str) -> dict[str, Any]:
        """Return the limits that a recording was, or is, watched by; without a name an example."""
        if not name:
            return self.read(example_text(), "example")
        recording = self.shelf.open(name)
        return self.read(recording.limits.text or "format = 1\n", recording.name)

    def listed(self, offset_min: float) -> dict[str, Any]:
        """Return what the page begins with: the recordings, and what can be set about limits."""
        where = zone(offset_min)
        rows = []
        for found in self.shelf.found():
            if found.fault:
                continue
            try:
                told = self.shelf.listed("limits", found, _listed)
            except (DutytraceError, OSError):
                continue
            rows.append(
                {
                    "path": found.path.name,
                    "name": found.name,
                    "begun": begun(found.started_ns, where),
                    "live": found.live,
                    **told,
                }
            )
        return {
            "folder": str(self.shelf.folder),
            "recordings": rows,
            "forms": forms.forms(),
            "back": forms.BACK,
        }

    def hand_over(self, asked: HandOver) -> dict[str, Any]:
        limits_of(asked.tables, "limits", text=asked.base)
        text = edited_text(asked.base, asked.tables)
        hand_over(self.shelf.path(asked.recording), text=text, who=asked.who)
        return {"done": True}


def _listed(recording: Recording) -> dict[str, Any]:
    return {
        "length": elapsed((recording.end_ns - recording.start_ns) / 1e9),
        "joints": list(recording.joints),
        "channels": sorted({c for joint in recording.joints for c in recording.channels(joint)}),
        "limits": len(recording.limits.limits),
    }


def add_judging_routes(
    server: FastAPI, shelf: Shelf, guard: Guard, *, stop: threading.Event, writes: bool
) -> None:
    """Add the routes; each works on a worker thread."""
    judging = _Judging(shelf, stop)

    def routed(
        model: type[Question] | type[HandOver] | type[_Number] | type[_Text],
        work: Callable[[Any, str], dict[str, Any]],
    ) -> Callable[[Request], Any]:
        async def route(request: Request) -> JSONResponse:
            owner = request.headers.get("x-page", "")[:40]
            try:
                asked = await posted(request, guard, model, most=BODY_MOST)
                return JSONResponse(await run_in_threadpool(work, asked, owner))
            except RefusedError as refused:
                return refused.answer()
            except InputError as wrong:
                return fault(400, str(wrong))
            except (DutytraceError, OSError) as wrong:
                return fault(500, str(wrong))

        return route

    def stopped(asked: _Number, _owner: str) -> dict[str, Any]:
        judging.toil.end(asked.number)
        return {"done": True}

    for name, route in (
        ("ask", routed(Question, lambda asked, _: judging.ask(asked))),
        ("curve", routed(Question, lambda asked, _: judging.curve(asked))),
        ("exact", routed(Question, judging.exact)),
        ("sweep", routed(Varied, judging.sweep)),
        ("text", routed(Question, lambda asked, _: judging.text(asked))),
        ("read", routed(_Text, lambda asked, _: judging.read(asked.text, "limits"))),
        ("stop", routed(_Number, stopped)),
    ):
        server.add_api_route(f"{JUDGE_PATH}/{name}", route, methods=["POST"], response_model=None)
    if writes:
        over = routed(HandOver, lambda asked, _: judging.hand_over(asked))
        server.add_api_route(HAND_OVER_PATH, over, methods=["POST"], response_model=None)

    def listed(offset_min: float = 0.0) -> Response:
        return answer(lambda: judging.listed(offset_min))

    def begin(recording: str = "") -> Response:
        return answer(lambda: judging.begin(recording))

    def work(number: int) -> Response:
        def found() -> dict[str, Any]:
            told = judging.toil.plain(number)
            if told is None:
                raise InputError("This piece of work is not known any more; ask again.")
            return told

        return answer(found)

    for path, told in (("", listed), ("/begin", begin), ("/work/{number}", work)):
        server.add_api_route(JUDGE_PATH + path, told, methods=["GET"], response_model=None)
