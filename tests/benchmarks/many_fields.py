"""A long run: many small fields, and what it takes of memory, descriptors and time from its start to its end.

    python tests/benchmarks/many_fields.py 10000 /tmp/many

Prints a row every tenth of the fields: seconds a field since the last row, resident memory of the parent and of the
largest worker, open descriptors of all. The figures on the page on security and limits come from here.
"""

import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np

from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.results import RECORD

SIDE = 96
TILES = 10
STUDY = """\
title = "Many invented fields"
um_per_px = 0.2
carbides = "bright"
rolling_deg = 0

[[specimen]]
name = "A"
images = ["fields/*.png"]
"""


def draw_fields(folder: Path, count: int) -> None:
    """Cut invented micrographs into small fields, where an earlier call has not."""
    if (folder / "study.toml").exists():
        return
    (folder / "fields").mkdir(parents=True, exist_ok=True)
    scene = Scene((Population(0.08, 6.0),), optics=Optics(100, (200,), noise=4.0))
    for number in range(count):
        tile = number % TILES**2
        if tile == 0:
            large, _ = make_field(scene, (SIDE * TILES, SIDE * TILES), np.random.default_rng(number))
        top, left = (SIDE * place for place in divmod(tile, TILES))
        part = large[top : top + SIDE, left : left + SIDE]
        cv2.imwrite(str(folder / "fields" / f"{number:05d}.png"), part.astype(np.uint8))
    (folder / "study.toml").write_text(STUDY)


def family(parent: int) -> list[int]:
    """Process ids of a process and of all it started."""
    found = [parent]
    for pid in found:
        for task in Path(f"/proc/{pid}/task").glob("*/children"):
            found += map(int, task.read_text().split())
    return found


def resident_mb(pid: int) -> float:
    """Resident memory of a process that others do not share."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("RssAnon")) / 1024


def descriptors(pid: int) -> int:
    """Open files, pipes and sockets of a process."""
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def watch(process: subprocess.Popen, parts: Path, count: int) -> list[tuple[int, float, float, float, int]]:
    """Rows of fields done, ms a field, MB of the parent, MB of the largest other, descriptors of the family."""
    rows = []
    start, before = time.perf_counter(), 0
    while process.poll() is None:
        time.sleep(0.2)
        done = sum(1 for _ in parts.glob(f"**/{RECORD}")) if parts.exists() else 0
        if done - before >= count / 10:
            try:
                others = family(process.pid)[1:]
                memory = resident_mb(process.pid), max([resident_mb(pid) for pid in others], default=0.0)
                open_files = sum(descriptors(pid) for pid in [process.pid, *others])
            except OSError:
                continue
            now = time.perf_counter()
            rows.append((done, (now - start) / (done - before) * 1000, *memory, open_files))
            print(f"{done:6d} fields {rows[-1][1]:7.1f} ms a field {memory[0]:7.0f} MB parent {memory[1]:7.0f} MB "
                  f"largest worker {open_files:4d} descriptors", flush=True)  # fmt: skip
            start, before = now, done
    return rows


def main(count: str, folder: str) -> None:
    """Draw, run, watch, and measure the report."""
    place, fields = Path(folder), int(count)
    draw_fields(place, fields)
    start = time.perf_counter()
    command = [sys.executable, "-m", "micro", "run", str(place / "study.toml"), "--out", str(place / "out")]
    with (place / "stderr.txt").open("w") as stderr, (place / "stdout.txt").open("w") as stdout:
        process = subprocess.Popen(command, stderr=stderr, stdout=stdout)
        watch(process, place / "out" / "parts", fields)
    print(f"exit {process.returncode}, {time.perf_counter() - start:.0f} s in all")
    for name in ("report.html", "run.json", "particles.csv", "profiles.csv"):
        print(f"{name:14} {(place / 'out' / name).stat().st_size / 1e6:8.1f} MB")
    print(f"stderr: {len((place / 'stderr.txt').read_text().splitlines())} lines")


if __name__ == "__main__":
    main(*sys.argv[1:])
