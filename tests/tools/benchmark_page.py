"""How a page of 400 takeovers loads and scrolls beside one of 40, in one run:
python tests/tools/benchmark_page.py

Prints the table of docs/performance.md. Bytes are the same every time; of the times the ratios
count. On a telephone's viewport: from the start of loading to the first words and to the end, and
the frames while it scrolls as a hard flick does, through the list and through the takeovers, median
and slowest twentieth; several rounds of both in turn. Needs Chromium (see browser.py).
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


LOADED = """() => [performance.getEntriesByName('first-contentful-paint')[0].startTime,
  performance.getEntriesByType('navigation')[0].loadEventEnd]"""
HEADS = ("takeovers", "written, s", "MB", "kB a takeover", "first words, s", "loaded, s",
         "a frame, ms", "slow frames, ms")  # fmt: skip


def main() -> int:
    with tempfile.TemporaryDirectory() as folder, browsers.started() as browser:
        pages, written, seen = {}, {}, {n: [] for n in MANY}
        for n in MANY:
            out = Path(folder) / str(n)
            store_many(out, n)
            began = time.perf_counter()
            pages[n] = publish.write_page(out).path
            written[n] = time.perf_counter() - began
        for _ in range(ROUNDS):
            for n, path in pages.items():
                seen[n].append(look_at(browser, path))
        table = {}
        for n, path in pages.items():
            size, middle = (
                path.stat().st_size,
                [statistics.median(x) for x in zip(*seen[n], strict=True)],
            )
            table[n] = [n, written[n], size / 1e6, size / 1e3 / n, *middle]
        print_table(table)
    return 0


def look_at(browser, path: Path) -> tuple[float, ...]:
    """Seconds to the first words and to the end of loading, and ms of the middle frame and of the
    slowest twentieth."""
    with opened(browser, path, "phone") as (page, _):
        page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
        paint, load = page.evaluate(LOADED)
        frames = page.evaluate(SCROLL, [FRAMES, STEP])
    return paint / 1e3, load / 1e3, frames[FRAMES // 2], frames[FRAMES * 19 // 20]


def print_table(table: dict[int, list[float]]) -> None:
    print(f"| {' | '.join(HEADS)} |\n|{'---|' * len(HEADS)}")
    few, many = (table[n] for n in MANY)
    for row in (few, many):
        print(f"| {row[0]} | {' | '.join(f'{value:.2f}' for value in row[1:])} |")
    ratios = (f"{more / less:.2f}" for less, more in zip(few, many, strict=True))
    print(f"| ratio | {' | '.join(list(ratios)[1:])} |")


if __name__ == "__main__":
    sys.exit(main())
