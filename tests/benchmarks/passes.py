"""How often a field goes over its whole picture, line by line of the program: what a compiled kernel could spare.

    python tests/benchmarks/passes.py [--side 2048] [--rows 30] [PICTURE]

Two runs of `field.measure` after one that loads and warms up. The first counts: a line of the program that takes at
least `--share` of the picture's pixels in new memory while it runs, at one byte a pixel, has gone over the picture;
what it takes is told in bytes a pixel, temporaries included. The second, without counting, is profiled for time. Prints
the lines, the most memory first, the passes and bytes in all, and the functions with the most time of their own.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Any

from speed import PER_MEGAPIXEL, SCALE, draw

import micro
from micro.field import measure
from micro.image.micrograph import Micrograph
from micro.image.reading import read
from micro.processes import prepare_process

PROGRAM = str(Path(micro.__file__).parent)
Line = tuple[str, int]


class Passes:
    """Counts, line by line, how often so many bytes were taken, and how many in all."""

    def __init__(self, least: float) -> None:
        self.least = least
        self.times: Counter[Line] = Counter()
        self.taken: Counter[Line] = Counter()
        self._at: list[Line | None] = []

    def trace(self, frame: FrameType, event: str, _: Any) -> Any:
        """Follow functions of the program, and of nothing else; for `sys.settrace`."""
        if not frame.f_code.co_filename.startswith(PROGRAM):
            return None
        if event == "call":
            self._close()
            self._at.append(None)
        elif event == "line":
            self._close()
            self._at[-1] = (frame.f_code.co_filename, frame.f_lineno)
        elif event == "return":
            self._close()
            self._at.pop()
        tracemalloc.reset_peak()
        self._before = tracemalloc.get_traced_memory()[0]
        return self.trace

    def _close(self) -> None:
        """Book what the line that ends took, if it was as much as a pass takes."""
        line = self._at[-1] if self._at else None
        taken = tracemalloc.get_traced_memory()[1] - self._before if line else 0
        if line and taken >= self.least:
            self.times[line] += 1
            self.taken[line] += taken


def counted(micrograph: Micrograph, share: float) -> Passes:
    """Measure once and count."""
    passes = Passes(share * micrograph.grey.size)
    tracemalloc.start()
    sys.settrace(passes.trace)
    try:
        measure(micrograph)
    finally:
        sys.settrace(None)
        tracemalloc.stop()
    return passes


def main() -> None:
    """Draw or read a picture, count, profile, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("picture", type=Path, nargs="?")
    parser.add_argument("--side", type=int, default=2048)
    parser.add_argument("--rows", type=int, default=30)
    parser.add_argument("--share", type=float, default=0.25)
    options = parser.parse_args()
    prepare_process()
    with tempfile.TemporaryDirectory() as folder:
        path = options.picture or Path(folder) / "field.tif"
        if options.picture is None:
            draw(path, options.side, round(PER_MEGAPIXEL * options.side**2 / 1e6))
        micrograph = read(path, scale=SCALE)
    measure(micrograph)
    passes, pixels = counted(micrograph, options.share), micrograph.grey.size
    start = time.process_time()
    measure(micrograph)
    seconds = time.process_time() - start
    print(f"{micrograph.grey.shape[1]} × {micrograph.grey.shape[0]} px, {seconds:.3f} s of processor time, "
          f"{passes.times.total()} passes over the picture by {len(passes.times)} lines, "
          f"{passes.taken.total() / pixels:.0f} bytes a pixel in new memory")  # fmt: skip
    for (file, number), taken in passes.taken.most_common(options.rows):
        text = Path(file).read_text(encoding="utf8").splitlines()[number - 1].strip()
        place = f"{Path(file).relative_to(PROGRAM)}:{number}"
        print(f"{taken / pixels:7.1f} B/px {passes.times[file, number]:4d} times  {place:38} {text[:80]}")
    profile = cProfile.Profile(time.process_time)
    profile.runcall(measure, micrograph)
    pstats.Stats(profile).sort_stats("tottime").print_stats(options.rows)


if __name__ == "__main__":
    main()
