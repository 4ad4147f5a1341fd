"""From a frame on the bus to its trace on the screen: joints, recorder, server and browser.

Two joints at 1 kHz behind a serial line, the recorder and the server as processes of their own, one
tab of headless Chromium, then one while events come, then three. A trace counts as drawn a frame
of the screen after plotly's after-plot. BENCH_LIVE_S says for how long (an hour: 3600). Unset, it
takes four minutes; `pytest -s` shows the first part after two of them, and nothing is shown without
it before the end.

The delays and the shares of a core have no peer: what is asked stands beside them. Guarded is that
the delay does not grow over the run.
"""

import faulthandler
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, CDPSession, Page

from tests.benchmarks.measure import guard_at_most, report
from tests.benchmarks.talker import BENCH, LAYOUT, LIMITS
from tests.support.browser import chromium, installed

pytestmark = [pytest.mark.slow, pytest.mark.browser]

SPAN_S: Final = float(os.environ.get("BENCH_LIVE_S", "60"))
SHORT_S: Final = min(SPAN_S, 30.0)
"""How long the other two parts last: while events come, and with three tabs."""
WINDOW_S: Final = 60
# The delay of the last tenth of the pictures against the first: flat. What piles up grows by more.
MOST_GROWTH: Final = 3.0
TICKS: Final = os.sysconf("SC_CLK_TCK")
PROBE: Final = """
(() => {
  const seen = window.seen = { draws: [], messages: [] };
  const Plain = window.WebSocket, text = new TextEncoder();
  window.WebSocket = class extends Plain {
    constructor(...how) {
      super(...how);
      this.addEventListener("message", (e) => {
        const words = typeof e.data === "string";
        const size = words ? text.encode(e.data).length : e.data.byteLength;
        const kind = !words ? 1 : e.data.startsWith('{"kind":"status"') ? 2 : 0;
        seen.messages.push([Date.now(), size, kind]);
      });
    }
  };
  const look = setInterval(async () => {
    const main = document.querySelector("script[type=module]");
    const page = main && (await import(main.src)).shown.page;
    const picture = page && page.picture;
    if (!picture || !picture.plot.on || !picture.figure || picture.probed) return;
    picture.probed = true;
    clearInterval(look);
    picture.plot.on("plotly_afterplot", () => {
      const newest = Math.max(...picture.store.newest.map((n) => n[0]).filter((at) => at === at));
      const came = picture.figure.layout.meta.epoch_ms + 1000 * newest;
      requestAnimationFrame(() => seen.draws.push([Date.now(), came]));
    });
  }, 50);
})();
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What was seen of one tab over a span, and what it took."""

    draws: NDArray[np.float64]
    """(n, 2): when drawn, stamp of the newest frame in it; milliseconds."""
    messages: NDArray[np.float64]
    """(n, 3): when it came, bytes, 1 for an update, 0 for words before and 2 for those after it."""
    span_s: float

    @property
    def newest_ms(self) -> NDArray[np.float64]:
        """How old the newest frame of each picture was."""
        return self.draws[:, 0] - self.draws[:, 1]

    @property
    def every_ms(self) -> NDArray[np.float64]:
        """How long frames waited for the first picture that had them, one for each millisecond."""
        waits = [
            drawn - np.arange(before, newest)
            for (drawn, newest), before in zip(self.draws[1:], self.draws[:-1, 1], strict=True)
        ]
        return np.concatenate(waits)

    @property
    def bytes_an_update(self) -> NDArray[np.float64]:
        """Bytes of each update with the words that came beside it."""
        kind = self.messages[:, 2]
        begins = np.diff(kind, prepend=2) <= 0
        return np.bincount(np.cumsum(begins), weights=self.messages[:, 1])[1:]


def _busy_s(pid: int) -> float:
    """Return the processor time that a process has taken, all its threads together."""
    words = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / TICKS


def _browser_s(session: CDPSession) -> dict[int, tuple[str, float]]:
    """Return pid -> kind and processor time of the browser's processes."""
    found = session.send("SystemInfo.getProcessInfo")["processInfo"]
    return {one["id"]: (one["type"], _busy_s(one["id"])) for one in found}


def _opened(browser: Browser, address: str) -> Page:
    page = browser.new_context(viewport={"width": 1440, "height": 900}, bypass_csp=True).new_page()
    page.add_init_script(f"sessionStorage.setItem('dutytrace-window', '{WINDOW_S}');{PROBE}")
    page.goto(address)
    page.wait_for_function("window.seen.draws.length > 5", timeout=60_000)
    return page


def _taken(page: Page, span_s: float) -> _Part:
    seen: dict[str, Any] = page.evaluate("window.seen")
    return _Part(
        draws=np.array(seen["draws"], float),
        messages=np.array(seen["messages"], float).reshape(-1, 3),
        span_s=span_s,
    )


def _watched(
    what: str, pages: list[Page], session: CDPSession, pids: dict[str, int], span_s: float
) -> None:
    """Look on for a while, and print the table of it."""
    for page in pages:
        page.evaluate("window.seen.draws.length = window.seen.messages.length = 0")
    before = {name: _busy_s(pid) for name, pid in pids.items()}
    tabs_before = _browser_s(session)
    begun = time.monotonic()
    time.sleep(span_s)
    took_s = time.monotonic() - begun
    tabs = _browser_s(session)
    after = {name: _busy_s(pid) for name, pid in pids.items()}
    parts = [_taken(page, took_s) for page in pages]

    growth: list[float] = []
    load = os.getloadavg()[0]
    report(f"{what}, {took_s:.0f} s, window of {WINDOW_S} s; load average", load, "")
    for part in parts:
        every, newest = part.every_ms, part.newest_ms
        for share, asked in ((0.5, 200), (0.95, 350)):
            found = float(np.quantile(every, share))
            name = "median" if share == 0.5 else "95 %"
            report(
                f"   frame -> trace, {name}", found, f"ms ({found / asked:.2f} of what is asked)"
            )
        report("   newest frame -> trace, median", float(np.median(newest)), "ms")
        report("   the same, 95 %", float(np.quantile(newest, 0.95)), "ms")
        rate = len(part.draws) / took_s
        report("   pictures a second", rate, f"({rate / 5:.2f} of what is asked)")
        sizes = part.bytes_an_update
        report("   bytes an update, mean", float(sizes.mean()), f"({sizes.mean() / 1024:.2f} KB)")
        report("   the largest update", float(sizes.max()), "bytes")
        tenth = max(1, len(newest) // 10)
        ends = np.median(newest[-tenth:]) / np.median(newest[:tenth])
        growth.append(float(ends))
    grown = {
        pid: (kind, (busy - tabs_before.get(pid, (kind, 0.0))[1]) / took_s)
        for pid, (kind, busy) in tabs.items()
    }
    drawing = sorted(share for kind, share in grown.values() if kind == "renderer" and share > 0.02)
    for share in drawing:
        report("   tab, of a core", 100 * share, f"% ({share / 0.8:.2f} of what is asked)")
    report("   the whole browser", 100 * sum(share for _, share in grown.values()), "%")
    for name in pids:
        share = (after[name] - before[name]) / took_s
        of = f" ({share / 0.15:.2f} of what is asked)" if name == "server" else ""
        report(f"   {name}, of a core", 100 * share, f"%{of}")
    for ends in growth:
        guard_at_most("   newest frame -> trace, last tenth against first", ends, MOST_GROWTH)


def test_frame_to_screen(bench):
    """At rest, while events come, and three tabs at once."""
    faulthandler.cancel_dump_traceback_later()
    path = installed()
    if path is None:
        pytest.skip("no Chrome or Chromium is installed")
    line = bench.line
    bench.bench.write_text(BENCH.format(line=line), encoding="utf-8")
    (bench.folder / "four.toml").write_text(LAYOUT, encoding="utf-8")
    bench.limits.write_text(LIMITS, encoding="utf-8")
    # The window is full before anything is measured.
    pushes_s = WINDOW_S + 10 + SPAN_S
    talker = bench.start("tests.benchmarks.talker", str(line), str(pushes_s))
    assert talker.stdout.readline() == "ready\n"
    recorder, _ = bench.logger()
    begun = time.monotonic()
    server = bench.start(
        "dutytrace", "dashboard", "--recordings", str(bench.recordings), "--port", "0"
    )
    address = server.stdout.readline().removeprefix("The pages are at ").strip()
    pids = {"server": server.pid, "recorder": recorder.pid, "joints": talker.pid}
    with chromium(path) as browser:
        session = browser.new_browser_cdp_session()
        pages = [_opened(browser, address)]
        time.sleep(max(0.0, begun + WINDOW_S + 5 - time.monotonic()))
        _watched("one tab at rest", pages, session, pids, SPAN_S)
        time.sleep(max(0.0, begun + pushes_s + 5 - time.monotonic()))
        _watched("one tab, an event of each joint every 2 s", pages, session, pids, SHORT_S)
        pages += [_opened(browser, address), _opened(browser, address)]
        time.sleep(3)
        _watched("three tabs, events as before", pages, session, pids, SHORT_S)
