"""A layout tried on real traffic while it is being edited: the file is read again at each save.

Frames come from a log, or live from the buses of a bench; nothing is sent and nothing recorded. A
mistake in the file is told as its sentence, and what came out before stays until it is mended. For
one thread, which owns the terminal.
"""

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np

from logger.bus.clock import Axis, read_clocks
from logger.bus.source import Source, open_all
from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench import Bench, bench_from, read_bench
from logger.joint.layout import layout_from
from logger.joint.trial import Trial, bench_for, tried, with_layout
from logger.log_frames import LogFrames
from logger.settings_file import read_text, stamp_of

__all__ = ["Tried", "TrySettings", "layouts_tried"]

LOOK_S: Final = 0.3
"""How often the file is looked at."""
WINDOW_FRAMES: Final = 200_000
"""Frames that are kept: half a minute of a full bus, or the beginning of a log."""
_BATCHES: Final = 40
"""Batches of a log that are read at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrySettings:
    """Which layout, on what."""

    layout: Path
    """The layout file."""
    log: Path | None = None
    bench: Path | None = None
    """Left out, a bench of one joint is made for the log."""
    node: int = 0
    gear_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What is to be shown."""

    trial: Trial | None
    """None until the file was right for the first time."""
    fault: str = ""
    """What is wrong in the file as it is."""
    saved: int = 0
    """How often it has been read."""


def layouts_tried(settings: TrySettings, *, stop: threading.Event) -> Iterator[Tried]:
    """Yield what the layout makes of the frames: at once, at each save, and live every 0.3 s.

    Ends when `stop` is set.

    Raises
    ------
    InputError
        The bench or the log cannot be read, or a bus not be opened. A mistake in the layout is not
        raised but told.
    """
    name = settings.layout.name.removesuffix(".toml")
    read_text(settings.layout, "layout file")
    bench = _bench(settings, name)
    with contextlib.ExitStack() as opened:
        take = (
            _live(bench, settings, opened)
            if settings.log is None
            else _of_log(bench, settings.log, whole=settings.bench is None)
        )
        seen: tuple[int, int, int] | None = None
        trial: Trial | None = None
        fault, saved = "", 0
        frames = FrameBatch.empty()
        spoken: Bench | None = None
        while not stop.is_set():
            fresh = take()
            if fresh is not None:
                frames = fresh
            now = stamp_of(settings.layout)
            if now != seen:
                seen, saved = now, saved + 1
                try:
                    spoken, fault = _spoken(bench, settings.layout, name), ""
                except InputError as mistake:
                    fault = str(mistake)
            elif fresh is None:
                stop.wait(LOOK_S)
                continue
            if spoken is not None and not fault:
                trial = tried(spoken, frames)
            yield Tried(trial=trial, fault=fault, saved=saved)


def _bench(settings: TrySettings, name: str) -> Bench:
    """Return the bench with any text of the layout: what is in the file is read later."""
    if settings.bench is None:
        text = bench_for(name, node=settings.node, gear_ratio=settings.gear_ratio)
        placeholder = (
            f'format = 1\nname = "{name}"\n[[frame]]\nname = "-"\nidentifier = 0\nlength = 0\n'
        )
        return bench_from(text, {name: placeholder}, where=str(settings.layout))
    bench = read_bench(settings.bench)
    if name not in bench.layouts:
        raise InputError(
            f"{settings.bench}: found no joint with the layout {name!r}, expected one; its joints "
            f"have {', '.join(sorted(bench.layouts))}."
        )
    return bench


def _spoken(bench: Bench, path: Path, name: str) -> Bench:
    text = read_text(path, "layout file")
    layout_from(text, str(path))
    return with_layout(bench, name, text, where=str(path))


def _of_log(bench: Bench, log: Path, *, whole: bool) -> Callable[[], FrameBatch | None]:
    """Return what gives the frames of a log, once; `whole`: of whatever bus, all on the first."""
    frames = FrameBatch.joined(list(islice(LogFrames(path=log, bench=bench), _BATCHES)))
    if whole:
        frames = replace(frames, bus=np.zeros_like(frames.bus))
    waiting = [frames.taken(slice(0, WINDOW_FRAMES))]
    return lambda: waiting.pop() if waiting else None


def _live(
    bench: Bench, settings: TrySettings, opened: contextlib.ExitStack
) -> Callable[[], FrameBatch | None]:
    quiet = tuple(bus.model_copy(update={"send": False}) for bus in bench.buses)
    sources = open_all(quiet, Axis(read_clocks()).anchor, where=str(settings.bench))
    for source in sources:
        opened.callback(source.close)
    kept: deque[FrameBatch] = deque()

    def take() -> FrameBatch:
        until_s = time.monotonic() + LOOK_S
        while time.monotonic() < until_s:
            for source in sources:
                _keep(kept, source, 0.05 / len(sources))
        frames = FrameBatch.joined(list(kept))
        return frames.taken(frames.time_ns.argsort(kind="stable"))

    return take


def _keep(kept: "deque[FrameBatch]", source: Source, wait_s: float) -> None:
    frames = source.receive(wait_s).frames
    if len(frames):
        kept.append(frames)
    while len(kept) > 1 and sum(map(len, kept)) > WINDOW_FRAMES:
        kept.popleft()
