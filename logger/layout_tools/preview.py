"""A layout tried on real traffic while it is being edited: the file is read again at each save.

Frames come from a log, or live from the buses of a bench; nothing is sent and nothing recorded. A
mistake in the file is shown as its sentence, with the previous result until it is corrected. It is
in the logger and not in replay, because the frames come through the logger's own buses and logs.
The decoding is in `logger.joint.explain.trial`, which is pure. For one thread.
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

from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.source import open_sources
from logger.errors import InputError
from logger.importing.log_frames import LogFrames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts, read_bench
from logger.joint.bench.layout import parse_layout, shipped_layout_text, shipped_layouts
from logger.joint.explain.trial import Trial, minimal_bench, replace_layout, run_trial
from logger.settings_file import did_you_mean, file_stamp, read_text

__all__ = ["Preview", "PreviewSettings", "preview_layout"]

PREVIEW_INTERVAL_S: Final = 0.3
"""How often the file is looked at."""
PREVIEW_WINDOW_FRAMES: Final = 200_000
"""Frames that are kept by default: half a minute of a full bus, or the start of a log."""
SHIPPED_LAYOUTS: Final = Path(__file__).parents[1] / "joint" / "layouts"
MAX_REMARKS: Final = 3
"""Newest remarks about the buses that are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewSettings:
    """Which layout is tried, and on which frames."""

    layout: Path
    """The layout file; or a layout's name, found as a bench file's layouts are."""
    log: Path | None = None
    bench: Path | None = None
    """The bench file; None: a bench of one joint is made for the log."""
    joint: str | None = None
    """Only this joint of the bench; None: all."""
    node: int = 0
    gear_ratio: float = 1.0
    frames: int = PREVIEW_WINDOW_FRAMES
    """Most frames that are kept: the newest of a bus, the first of a log."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """One state of the preview, to be shown."""

    trial: Trial | None
    """The newest result; None until the file was valid for the first time."""
    fault: str = ""
    """What is wrong in the file now; "" for a valid one."""
    saved: int = 0
    """How often it has been read."""
    observed_s: float = 0.0
    """How long the buses have been listened to; 0 for a log."""
    is_cut: bool = False
    """The log has more frames than were taken."""
    remarks: tuple[str, ...] = ()
    """Sentences about the buses: lost, back, frames dropped."""


@dataclass(slots=True, kw_only=True)
class _CollectedFrames:
    """The frames that were collected so far."""

    frames: FrameBatch = field(default_factory=FrameBatch.empty)
    is_cut: bool = False
    observed_s: float = 0.0
    remarks: tuple[str, ...] = ()


def preview_layout(settings: PreviewSettings, *, stop: threading.Event) -> Iterator[Preview]:
    """Yield the layout's result on the frames: at once, at each save, and live every 0.3 s.

    Ends when `stop` is set.

    Raises
    ------
    InputError
        The bench or the log cannot be read, or a bus cannot be opened. A mistake in the layout is
        not raised but is the `fault` of what is yielded.
    """
    path = _find_layout_file(settings)
    settings = replace(settings, layout=path)
    bench, saved = yield from _wait_for_bench(settings, path.stem, stop=stop)
    if bench is None:
        return
    name = next(iter(bench.layouts)) if settings.bench is None else path.stem
    with contextlib.ExitStack() as opened:
        collected = _CollectedFrames()
        collect = (
            _collect_live(bench, settings, collected, opened)
            if settings.log is None
            else _collect_log(bench, settings, collected)
        )
        seen_stamp: tuple[int, int, int] | None = None
        trial: Trial | None = None
        fault = ""
        bench_with_layout: Bench | None = None
        while not stop.is_set():
            fresh_remarks = collect()
            stamp_now = file_stamp(path)
            if stamp_now != seen_stamp:
                seen_stamp, saved = stamp_now, saved + 1
                try:
                    bench_with_layout, fault = _bench_with_layout(bench, path, name), ""
                except InputError as mistake:
                    fault = str(mistake)
            elif not fresh_remarks:
                stop.wait(PREVIEW_INTERVAL_S)
                continue
            if bench_with_layout is not None and not fault:
                trial = run_trial(bench_with_layout, collected.frames, joint=settings.joint)
            yield Preview(
                trial=trial,
                fault=fault,
                saved=saved,
                observed_s=collected.observed_s,
                is_cut=collected.is_cut,
                remarks=collected.remarks,
            )


def _find_layout_file(settings: PreviewSettings) -> Path:
    """Return the file of a layout that may be given by its name alone."""
    layout = settings.layout
    if layout.exists() or layout.suffix or layout.name != str(layout):
        read_text(layout, "layout file")
        return layout
    folder = settings.bench.parent if settings.bench is not None else Path()
    sibling_path = folder / f"{layout}.toml"
    if sibling_path.is_file():
        return sibling_path
    if shipped_layout_text(str(layout)) is not None:
        return SHIPPED_LAYOUTS / f"{layout}.toml"
    known_names = [*shipped_layouts(), *(layout_path.stem for layout_path in folder.glob("*.toml"))]
    raise InputError(
        f"LAYOUT: found {str(layout)!r}, expected a layout file, or the name of one in "
        f"{str(folder)!r} or of one that ships.{did_you_mean(str(layout), known_names)}"
    )


def _wait_for_bench(
    settings: PreviewSettings, name: str, *, stop: threading.Event
) -> Generator[Preview, None, tuple[Bench | None, int]]:
    """Return the bench and how many saves were refused before; None for it when stopped.

    Yields what is wrong as long as the layout does not fit the bench. Without a bench file it is a
    bench of one joint with a placeholder layout: the file is read later.
    """
    if settings.bench is None:
        if settings.joint is not None:
            raise InputError("--joint: found without --bench, expected a joint of a bench file.")
        name = name if re.fullmatch("[a-z0-9][a-z0-9-]*", name) else "layout"
        text = minimal_bench(name, node=settings.node, gear_ratio=settings.gear_ratio)
        placeholder = (
            f'format = 1\nname = "{name}"\n[[frame]]\nname = "-"\nidentifier = 0\nlength = 0\n'
        )
        return bench_from_texts(text, {name: placeholder}, where=str(settings.layout)), 0
    read_text(settings.bench, "bench file")
    seen_stamp, saved = None, 0
    while not stop.is_set():
        stamp_now = (file_stamp(settings.layout), file_stamp(settings.bench))
        if stamp_now == seen_stamp:
            stop.wait(PREVIEW_INTERVAL_S)
            continue
        seen_stamp = stamp_now
        try:
            text = read_text(settings.layout, "layout file")
            parse_layout(text, str(settings.layout))
            bench = read_bench(settings.bench, given_layouts={name: text})
        except InputError as mistake:
            saved += 1
            yield Preview(trial=None, fault=str(mistake), saved=saved)
            continue
        _check_joint_uses_layout(bench, settings, name)
        return bench, saved
    return None, saved


def _check_joint_uses_layout(bench: Bench, settings: PreviewSettings, name: str) -> None:
    if name not in bench.layouts:
        raise InputError(
            f"{settings.bench}: found no joint with the layout {name!r}, expected one; its joints "
            f"have {', '.join(sorted(bench.layouts))}."
        )
    joint_names = [joint.name for joint in bench.joints if joint.layout == name]
    if settings.joint is not None and settings.joint not in joint_names:
        raise InputError(
            f"--joint: found {settings.joint!r}, expected a joint of {settings.bench} with the "
            f"layout {name!r}.{did_you_mean(settings.joint, joint_names)}"
        )


def _bench_with_layout(bench: Bench, path: Path, name: str) -> Bench:
    text = read_text(path, "layout file")
    parse_layout(text, str(path))
    return replace_layout(bench, name, text, where=str(path))


def _collect_log(
    bench: Bench, settings: PreviewSettings, collected: _CollectedFrames
) -> Callable[[], bool]:
    """Read the first frames of a log; return a function that is true once: there are new frames."""
    assert settings.log is not None, "called only with a log"
    read_batches: list[FrameBatch] = []
    count = 0
    for batch in LogFrames(path=settings.log, bench=bench):
        read_batches.append(batch)
        count += len(batch)
        if count > settings.frames:
            break
    frames = FrameBatch.concatenate(read_batches)
    if settings.bench is None:
        # Frames of any channel of the log: which one is the joint's was not stated.
        frames = replace(frames, bus=np.zeros_like(frames.bus))
    collected.is_cut = count > settings.frames
    collected.frames = frames.select_rows(slice(0, settings.frames))
    has_news = [True]
    return lambda: bool(has_news) and has_news.pop()


def _collect_live(
    bench: Bench,
    settings: PreviewSettings,
    collected: _CollectedFrames,
    opened: contextlib.ExitStack,
) -> Callable[[], bool]:
    """Open the buses to listen only; return a function that collects frames for 0.3 s."""
    listen_only = tuple(bus.model_copy(update={"send": False}) for bus in bench.buses)
    sources = open_sources(
        listen_only, RecordingClock(read_clocks()).anchor, where=str(settings.bench)
    )
    for source in sources:
        opened.callback(source.close)
    start_s = time.monotonic()

    def collect() -> bool:
        until_s = time.monotonic() + PREVIEW_INTERVAL_S
        fresh: list[FrameBatch] = []
        while time.monotonic() < until_s:
            for source in sources:
                received = source.receive(0.05 / len(sources))
                fresh.append(received.frames)
                remarks = [text for _, text in received.remarks]
                if received.lost:
                    remarks.append(f"{received.lost} frames were dropped: too many at once.")
                collected.remarks = (*collected.remarks, *remarks)[-MAX_REMARKS:]
        # Joined at each call: thousands of small batches would take longer to join than to arrive.
        frames = FrameBatch.concatenate(
            [collected.frames, *(batch for batch in fresh if len(batch))]
        )
        frames = frames.select_rows(frames.time_ns.argsort(kind="stable"))
        collected.frames = frames.select_rows(slice(max(0, len(frames) - settings.frames), None))
        collected.observed_s = time.monotonic() - start_s
        return True

    return collect
