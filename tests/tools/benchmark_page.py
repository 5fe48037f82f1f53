"""How a page of 400 takeovers scrolls beside one of 40, in one run:
python tests/tools/benchmark_page.py

Ratios count: frames on a telephone's viewport while it scrolls as a hard flick does, through the
list and through the takeovers, median and slowest twentieth, several rounds of both in turn. Needs
Chromium (see browser.py).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import browser as browsers
from browser import opened
from lakes import store_many

from pipeline.show import publish

MANY = (40, 400)
ROUNDS = 3
FRAMES = 400
STEP = 150  # pixels a frame: 9,000 a second
SCROLL = """async ([frames, step]) => {
  const found = [];
  for (const start of [0, document.documentElement.scrollHeight / 2]) {
    window.scrollTo(0, start);
    await new Promise(done => setTimeout(done, 300));
    let last = performance.now();
    for (let frame = 0; frame < frames / 2; frame += 1) {
      window.scrollBy(0, step);
      await new Promise(requestAnimationFrame);
      const now = performance.now();
      found.push(now - last);
      last = now;
    }
  }
  return found.sort((a, b) => a - b);
}"""


def main() -> int:
    with tempfile.TemporaryDirectory() as folder, browsers.started() as browser:
        pages, frames, shows = {}, {n: [] for n in MANY}, {n: [] for n in MANY}
        for n in MANY:
            out = Path(folder) / str(n)
            store_many(out, n)
            began = time.perf_counter()
            pages[n] = publish.write_page(out).path
            took, size = time.perf_counter() - began, pages[n].stat().st_size
            print(f"{n} takeovers: written in {took:.1f} s, {size / 1e6:.2f} MB")
        for _ in range(ROUNDS):
            for n, path in pages.items():
                began = time.perf_counter()
                with opened(browser, path, "phone") as (page, _):
                    shows[n].append(time.perf_counter() - began)
                    found = page.evaluate(SCROLL, [FRAMES, STEP])
                    frames[n].append((found[FRAMES // 2], found[FRAMES * 19 // 20]))
        for n in MANY:
            middle, slow = (statistics.median(x) for x in zip(*frames[n], strict=True))
            print(
                f"{n} takeovers: loaded in {statistics.median(shows[n]):.2f} s; frames "
                f"{middle:.1f} ms in the middle, slowest twentieth from {slow:.1f} ms"
            )
        few, many = ([statistics.median(x) for x in zip(*frames[n], strict=True)] for n in MANY)
        print(f"400 to 40: {many[0] / few[0]:.2f} in the middle, {many[1] / few[1]:.2f} slow")
    return 0


if __name__ == "__main__":
    sys.exit(main())
