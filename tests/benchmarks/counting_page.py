"""How the counting page copes with 50 fields of 2048 × 2048 px: size, time to write, to open, and to the next point.

Run it from the checkout: python tests/benchmarks/counting_page.py
"""

import shutil
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from micro.points.sheet import Picture, make_sheet, write_sheet
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field

FIELDS, SIDE = 50, 2048

# Presses "out" through the first two fields, and notes how long each answer takes until it is drawn.
PRESS = """
const done = arguments[arguments.length - 1], times = [];
const where = document.getElementById("where");
const paint = () => new Promise((next) => requestAnimationFrame(() => setTimeout(next)));
(async () => {
  for (let i = 0; i < arguments[0]; i += 1) {
    const before = where.textContent, start = performance.now();
    while (where.textContent === before) {
      // Answers are not taken before the picture stands.
      document.dispatchEvent(new KeyboardEvent("keydown", { key: "o" }));
      await paint();
    }
    times.push(performance.now() - start);
  }
  done(times);
})();
"""


def draw_fields(folder: Path) -> list[Picture]:
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 4, (SIDE, SIDE)).astype(np.float32)
    pictures = []
    for number in range(FIELDS):
        grey = np.full((SIDE, SIDE), 80, np.float32)
        for x, y in rng.integers(0, SIDE, (900, 2)).tolist():
            cv2.circle(grey, (x, y), int(rng.integers(5, 20)), 200, -1)
        shown = np.roll(noise, number, 0) + cv2.GaussianBlur(grey, (0, 0), 1)
        path = folder / f"f{number}.png"
        pictures.append(("A", Field(f"f{number}", path, path.name, path.stem, SegmentationSettings())))
        cv2.imwrite(str(path), np.clip(shown, 0, 255).astype(np.uint8))
    return pictures


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pictures = draw_fields(folder)
        start = time.perf_counter()
        sheet = make_sheet(pictures, points=49, fields=FIELDS)
        write_sheet(sheet, folder / "count")
        page = folder / "count" / "sheet.html"
        print(f"written in {time.perf_counter() - start:.1f} s, page {page.stat().st_size / 1e6:.1f} MB")
        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium") or ""
        for argument in ("--headless=new", "--no-sandbox", "--window-size=1280,900"):
            options.add_argument(argument)
        driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
        driver.set_script_timeout(120)
        try:
            start = time.perf_counter()
            driver.get(page.as_uri())
            driver.find_element("id", "counter").send_keys("ab\n")
            print(f"opened in {time.perf_counter() - start:.1f} s")
            times = np.array(driver.execute_async_script(PRESS, 2 * sheet.fields[0].grid.points))
            print(f"next point: median {np.median(times):.0f} ms, slowest {times.max():.0f} ms (a new field)")
        finally:
            driver.quit()


if __name__ == "__main__":
    main()
