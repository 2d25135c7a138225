"""How fast the page is: ``python tests/benchmarks/bench_page.py [--seconds N]``.

Starts the real service and a real browser. First paint and weight with twenty targets; frames a
second of the timeline at 30 days, 10 targets and 20 stations while it is moved and zoomed; how long
a setting waits for its answer. The browser paints in software, as without a graphics card.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS / "support"), str(TESTS.parent / "deploy" / "local")]

from daemon import Daemon  # noqa: E402
from real_browser import Visit, running_browser  # noqa: E402
from real_process import free_port  # noqa: E402
from watch_room import WatchRoom  # noqa: E402
from watch_service import Service  # noqa: E402

MOVE = """async seconds => {
  const canvas = document.querySelector('canvas');
  const box = canvas.getBoundingClientRect();
  const [clientX, clientY] = [box.left + 700, box.top + 200];
  const wheel = (deltaX, deltaY) => canvas.dispatchEvent(new WheelEvent('wheel',
    {deltaX, deltaY, clientX, clientY, bubbles: true, cancelable: true}));
  const frames = [];
  const until = performance.now() + seconds * 1000;
  let step = 0;
  await new Promise((done) => {
    const beat = (when) => {
      frames.push(when);
      step += 1;
      if (KIND === 'pan') wheel(step % 200 < 100 ? 6 : -6, 0);
      else wheel(0, step % 120 < 60 ? -12 : 12);
      if (performance.now() < until) requestAnimationFrame(beat);
      else done();
    };
    requestAnimationFrame(beat);
  });
  return frames;
}"""


def service_over(folder: Path, **room: Any) -> Service:
    """A running service over a watch room."""
    made = WatchRoom(folder, free_port(), **room)
    daemon = Daemon(made)
    daemon.start()
    for patience in range(3, -1, -1):
        try:
            daemon.wait_until_ready()
            break
        except AssertionError:
            if not patience or not daemon.running():
                raise
    return Service(made, daemon)


def first_paint(browser: Any, folder: Path) -> None:
    """Twenty targets: until the first target stands on the screen, and what travelled for it."""
    service = service_over(folder, passing=15)
    try:
        waits, weights = [], []
        for _ in range(5):
            visit = Visit(browser, service.base)
            wire = visit.context.new_cdp_session(visit.page)
            wire.send("Network.enable")
            sizes: list[float] = []
            wire.on("Network.loadingFinished", lambda e, s=sizes: s.append(e["encodedDataLength"]))
            begun = time.monotonic()
            visit.page.goto(service.base)
            visit.page.wait_for_selector(".target")
            waits.append(time.monotonic() - begun)
            paint = visit.page.evaluate(
                "performance.getEntriesByType('paint').map(e => [e.name, e.startTime])"
            )
            weights.append(sum(sizes))
            visit.end()
        print(f"targets on the screen after  {statistics.median(waits):.2f} s (median of 5)")
        print(f"first paint                  {dict(paint)}")
        print(f"weight                       {statistics.median(weights) / 1000:.0f} kB compressed")
    finally:
        service.daemon.clean_up()


def timeline(browser: Any, folder: Path, seconds: float) -> None:
    """Thirty days, ten targets, twenty stations, everything in sight."""
    service = service_over(
        folder,
        passing=5,
        stations=20,
        masks=False,
        settings={"horizon": {"ahead": "29d", "back": "1d"}},
    )
    try:
        contacts = sum(
            len(lane["aos"])
            for target in service.json("/timeline")["targets"]
            for lane in target["stations"]
        )
        begun = time.monotonic()
        size = len(service.get("/timeline").content)
        print(f"timeline: {contacts:,} contacts, {size / 1e6:.2f} MB plain")
        visit = Visit(browser, service.base)
        page = visit.open("timeline?hours=720")
        page.wait_for_selector("canvas[data-ready]", timeout=60_000)
        print(f"        loaded in {time.monotonic() - begun:.1f} s")
        page.get_by_role("button", name="All", exact=True).click()
        for kind in ("pan", "zoom"):
            frames = page.evaluate(MOVE.replace("KIND", repr(kind)), seconds)
            gaps = [after - before for before, after in pairwise(frames)]
            rate = 1000 * len(gaps) / sum(gaps)
            worst = sorted(gaps)[int(0.99 * len(gaps))]
            print(f"        {kind}: {rate:.0f} frames/s, 99 % of them within {worst:.0f} ms")
        visit.picture("timeline-30-days")
        visit.end()
    finally:
        service.daemon.clean_up()


def settings(browser: Any, folder: Path) -> None:
    """From moving a setting until its answer is drawn."""
    service = service_over(folder, passing=0)
    try:
        visit = Visit(browser, service.base)
        page = visit.open("align")
        page.wait_for_selector(".plan")
        waits = page.evaluate(
            """async () => {
              const setting = document.querySelector('.setting input');
              const place = document.querySelector('.align-main');
              const waits = [];
              for (let turn = 0; turn < 60; turn += 1) {
                const begun = performance.now();
                const drawn = new Promise((done) => new MutationObserver((_, watch) => {
                  watch.disconnect();
                  done();
                }).observe(place.querySelector('.strips').parentElement, {childList: true}));
                setting.value = Number(setting.value) + (turn % 20 < 10 ? 600 : -600);
                setting.dispatchEvent(new Event('input'));
                await drawn;
                waits.push(performance.now() - begun);
              }
              return waits;
            }"""
        )
        ordered = sorted(waits)
        print(
            f"setting: median {statistics.median(waits):.0f} ms, "
            f"95 % within {ordered[int(0.95 * len(ordered))]:.0f} ms"
        )
        visit.end()
    finally:
        service.daemon.clean_up()


def main() -> None:
    """Run all three."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=4.0, help="how long the timeline is moved")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, running_browser() as browser:
        first_paint(browser, Path(folder, "paint"))
        timeline(browser, Path(folder, "timeline"), given.seconds)
        settings(browser, Path(folder, "settings"))


if __name__ == "__main__":
    main()
