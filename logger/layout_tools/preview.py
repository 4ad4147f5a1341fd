"""A layout tried on real traffic while it is being edited: the file is read again at each save.

Frames come from a log, or live from the buses of a bench; nothing is sent and nothing recorded. A
mistake in the file is told as its sentence, and what came out before stays until it is mended. It
stands here and not with what reads recordings back: frames come through the logger's own buses and
logs. What the layout makes of them is `joint.trial`'s, which is pure. For one thread.
"""

import contextlib
import re
import threading
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from logger.bus.clock import Axis, read_clocks
from logger.bus.source import open_all
from logger.errors import InputError
from logger.importing.log_frames import LogFrames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from, read_bench
from logger.joint.bench.layout import layout_from, shipped, shipped_text
from logger.joint.explain.trial import Trial, bench_for, tried, with_layout
from logger.settings_file import nearest, read_text, stamp_of

__all__ = ["Tried", "TrySettings", "layouts_tried"]

LOOK_S: Final = 0.3
"""How often the file is looked at."""
WINDOW_FRAMES: Final = 200_000
"""Frames that are kept if nothing else is said: half a minute of a full bus, or a log's start."""
SHIPPED: Final = Path(__file__).parents[1] / "joint" / "layouts"
SAID: Final = 3
"""Of what happened on the buses, so much is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrySettings:
    """Which layout, on what."""

    layout: Path
    """The layout file; or a layout's name, looked for as the bench file looks for it."""
    log: Path | None = None
    bench: Path | None = None
    """Left out, a bench of one joint is made for the log."""
    joint: str | None = None
    """Only this one of the bench."""
    node: int = 0
    gear_ratio: float = 1.0
    frames: int = WINDOW_FRAMES
    """Kept at most: the newest of a bus, the first of a log."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What is to be shown."""

    trial: Trial | None
    """None until the file was right for the first time."""
    fault: str = ""
    """What is wrong in the file as it is."""
    saved: int = 0
    """How often it has been read."""
    heard_s: float = 0.0
    """How long the buses have been listened to; 0 for a log."""
    cut: bool = False
    """The log goes on beyond the frames that were taken."""
    said: tuple[str, ...] = ()
    """What happened on the buses: lost, back, frames dropped."""


@dataclass(slots=True, kw_only=True)
class _Heard:
    """The frames so far."""

    frames: FrameBatch = field(default_factory=FrameBatch.empty)
    cut: bool = False
    heard_s: float = 0.0
    said: tuple[str, ...] = ()


def layouts_tried(settings: TrySettings, *, stop: threading.Event) -> Iterator[Tried]:
    """Yield what the layout makes of the frames: at once, at each save, and live every 0.3 s.

    Ends when `stop` is set.

    Raises
    ------
    InputError
        The bench or the log cannot be read, or a bus not be opened. A mistake in the layout is not
        raised but told.
    """
    path = _layout_file(settings)
    settings = replace(settings, layout=path)
    bench, saved = yield from _bench(settings, path.stem, stop=stop)
    if bench is None:
        return
    name = next(iter(bench.layouts)) if settings.bench is None else path.stem
    with contextlib.ExitStack() as opened:
        heard = _Heard()
        take = (
            _live(bench, settings, heard, opened)
            if settings.log is None
            else _of_log(bench, settings, heard)
        )
        seen: tuple[int, int, int] | None = None
        trial: Trial | None = None
        fault = ""
        spoken: Bench | None = None
        while not stop.is_set():
            fresh = take()
            now = stamp_of(path)
            if now != seen:
                seen, saved = now, saved + 1
                try:
                    spoken, fault = _spoken(bench, path, name), ""
                except InputError as mistake:
                    fault = str(mistake)
            elif not fresh:
                stop.wait(LOOK_S)
                continue
            if spoken is not None and not fault:
                trial = tried(spoken, heard.frames, joint=settings.joint)
            yield Tried(
                trial=trial,
                fault=fault,
                saved=saved,
                heard_s=heard.heard_s,
                cut=heard.cut,
                said=heard.said,
            )


def _layout_file(settings: TrySettings) -> Path:
    """Return the file of a layout that may be given by its name alone."""
    layout = settings.layout
    if layout.exists() or layout.suffix or layout.name != str(layout):
        read_text(layout, "layout file")
        return layout
    folder = settings.bench.parent if settings.bench is not None else Path()
    beside = folder / f"{layout}.toml"
    if beside.is_file():
        return beside
    if shipped_text(str(layout)) is not None:
        return SHIPPED / f"{layout}.toml"
    known = [*shipped(), *(one.stem for one in folder.glob("*.toml"))]
    raise InputError(
        f"LAYOUT: found {str(layout)!r}, expected a layout file, or the name of one in "
        f"{str(folder)!r} or of one that ships.{nearest(str(layout), known)}"
    )


def _bench(
    settings: TrySettings, name: str, *, stop: threading.Event
) -> Generator[Tried, None, tuple[Bench | None, int]]:
    """Return the bench, and how many saves came before; None: stopped.

    A layout that does not fit the bench is told until it does.

    Without a bench file, that of one joint with any text of the layout: the file is read later.
    """
    if settings.bench is None:
        if settings.joint is not None:
            raise InputError("--joint: found without --bench, expected a joint of a bench file.")
        name = name if re.fullmatch("[a-z0-9][a-z0-9-]*", name) else "layout"
        text = bench_for(name, node=settings.node, gear_ratio=settings.gear_ratio)
        placeholder = (
            f'format = 1\nname = "{name}"\n[[frame]]\nname = "-"\nidentifier = 0\nlength = 0\n'
        )
        return bench_from(text, {name: placeholder}, where=str(settings.layout)), 0
    read_text(settings.bench, "bench file")
    seen, saved = None, 0
    while not stop.is_set():
        now = (stamp_of(settings.layout), stamp_of(settings.bench))
        if now == seen:
            stop.wait(LOOK_S)
            continue
        seen = now
        try:
            text = read_text(settings.layout, "layout file")
            layout_from(text, str(settings.layout))
            bench = read_bench(settings.bench, given={name: text})
        except InputError as mistake:
            saved += 1
            yield Tried(trial=None, fault=str(mistake), saved=saved)
            continue
        _check_joint(bench, settings, name)
        return bench, saved
    return None, saved


def _check_joint(bench: Bench, settings: TrySettings, name: str) -> None:
    if name not in bench.layouts:
        raise InputError(
            f"{settings.bench}: found no joint with the layout {name!r}, expected one; its joints "
            f"have {', '.join(sorted(bench.layouts))}."
        )
    of_it = [one.name for one in bench.joints if one.layout == name]
    if settings.joint is not None and settings.joint not in of_it:
        raise InputError(
            f"--joint: found {settings.joint!r}, expected a joint of {settings.bench} with the "
            f"layout {name!r}.{nearest(settings.joint, of_it)}"
        )


def _spoken(bench: Bench, path: Path, name: str) -> Bench:
    text = read_text(path, "layout file")
    layout_from(text, str(path))
    return with_layout(bench, name, text, where=str(path))


def _of_log(bench: Bench, settings: TrySettings, heard: _Heard) -> Callable[[], bool]:
    """Take the first frames of a log; return what says, once, that they are new."""
    assert settings.log is not None, "asked for by whoever has one"
    taken: list[FrameBatch] = []
    count = 0
    for batch in LogFrames(path=settings.log, bench=bench):
        taken.append(batch)
        count += len(batch)
        if count > settings.frames:
            break
    frames = FrameBatch.joined(taken)
    if settings.bench is None:
        # Of whatever channel of the log: nobody said which is the joint's.
        frames = replace(frames, bus=np.zeros_like(frames.bus))
    heard.cut = count > settings.frames
    heard.frames = frames.taken(slice(0, settings.frames))
    waiting = [True]
    return lambda: bool(waiting) and waiting.pop()


def _live(
    bench: Bench, settings: TrySettings, heard: _Heard, opened: contextlib.ExitStack
) -> Callable[[], bool]:
    """Open the buses, to listen only; return what takes frames for a while."""
    quiet = tuple(bus.model_copy(update={"send": False}) for bus in bench.buses)
    sources = open_all(quiet, Axis(read_clocks()).anchor, where=str(settings.bench))
    for source in sources:
        opened.callback(source.close)
    begun_s = time.monotonic()

    def take() -> bool:
        until_s = time.monotonic() + LOOK_S
        fresh: list[FrameBatch] = []
        while time.monotonic() < until_s:
            for source in sources:
                received = source.receive(0.05 / len(sources))
                fresh.append(received.frames)
                said = [text for _, text in received.said]
                if received.lost:
                    said.append(f"{received.lost} frames were dropped: too many at once.")
                heard.said = (*heard.said, *said)[-SAID:]
        # Joined at each look: thousands of small batches would take longer to join than to come.
        frames = FrameBatch.joined([heard.frames, *(one for one in fresh if len(one))])
        frames = frames.taken(frames.time_ns.argsort(kind="stable"))
        heard.frames = frames.taken(slice(max(0, len(frames) - settings.frames), None))
        heard.heard_s = time.monotonic() - begun_s
        return True

    return take
