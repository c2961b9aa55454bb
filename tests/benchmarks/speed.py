"""How fast the program is: beside a plain script, beside the limit, and as pictures, carbides, workers and fields grow.

    python tests/benchmarks/speed.py [--largest 8192] [--plain-up-to 4096] [--fields 100]

Everything is measured in one run on one machine: processor time of one core, the least of several runs, each picture
in a process of its own so that its peak memory shows. Pictures larger than 1024 px are mirrored copies of one
invented field. Prints each target with what was measured.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from plain_script import Stages, measure_plainly

from micro.image.reading import read
from micro.measures.particles import measure_particles
from micro.measures.totals import measure_field
from micro.phantom.scenes import Population, Scene, make_field
from micro.pictures.outlines import draw_outlines
from micro.processes import prepare_process
from micro.scale.scale import Scale
from micro.segmentation.stages import segment

ONE_CORE = os.environ | {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
# A checkout that may not keep its bytecode compiles 200 modules at each start; what is installed never does.
ONE_CORE.pop("PYTHONDONTWRITEBYTECODE", None)
SCALE, ROLLING = Scale(0.2, None, "given"), 20.0
FRACTION, SPREAD, TILE = 0.10, 0.4, 1024
PER_MEGAPIXEL = 5000 / (2048 * 2048 / 1e6)
COUNTS = (500, 2_000, 5_000, 20_000, 50_000, 100_000)


def draw(path: Path, side: int, carbides: int, seed: int = 1) -> None:
    """Write an invented field of `side` px with about so many carbides, 10 % of its area."""
    tile = min(side, TILE)
    mean_ecd = np.sqrt(FRACTION * side**2 / carbides / (np.pi / 4 * np.exp(SPREAD**2)))
    scene = Scene(
        (Population(FRACTION, float(mean_ecd), SPREAD, aspect=1.6, misalignment_deg=15.0),), rolling_deg=ROLLING
    )
    grey, _ = make_field(scene, (tile, tile), np.random.default_rng(seed))
    tifffile.imwrite(path, np.pad(grey.astype(np.uint8), (0, side - tile), mode="symmetric"))


def program(path: Path, stages: Stages) -> int:
    """Measure a picture with this program; return the number of carbides."""
    with stages.stage("decode"):
        micrograph = read(path, scale=SCALE)
    with stages.stage("segment"):
        found = segment(micrograph.grey, grey_max=micrograph.grey_max)
    with stages.stage("carbides"):
        particles = measure_particles(found, micrograph.grey, ROLLING)
    with stages.stage("field"):
        measure_field(found, particles, ROLLING)
    with stages.stage("outlines (not counted)"):
        draw_outlines(micrograph, found)
    return found.count


def plain(path: Path, stages: Stages) -> int:
    """Measure a picture with the plain script; return the number of carbides."""
    with stages.stage("decode"):
        grey = tifffile.imread(path).astype(np.float32)
    return len(measure_plainly(grey, SCALE.um_per_px, ROLLING, stages)[0])


def limit(path: Path, stages: Stages) -> int:
    """Run the least that any way of measuring needs; return the number of regions."""
    return int(least(path, stages)[1].max())


def least(path: Path, stages: Stages) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Decode, one blur, one labelling, one pass of moments; return grey levels and labels."""
    with stages.stage("decode"):
        grey = tifffile.imread(path)
    with stages.stage("blur"):
        smooth = cv2.GaussianBlur(grey.astype(np.float32), (7, 7), 1.0)
    with stages.stage("label"):
        count, labels = cv2.connectedComponents((smooth > 135).astype(np.uint8), connectivity=8)
    with stages.stage("moments"):
        at = np.flatnonzero(labels != 0)
        own, y, x = labels.ravel()[at], at // labels.shape[1], at % labels.shape[1]
        for weight in (None, x, y, x * x, y * y, x * y, grey.ravel()[at]):
            np.bincount(own, weight, count)
    return grey, labels.astype(np.int32, copy=False)


WAYS = {"program": program, "plain": plain, "limit": limit}


def once(way: str, path: Path, repeats: int) -> None:
    """Measure in this process and print stages, carbides and peak memory."""
    prepare_process()
    runs, count = [], 0
    for _ in range(repeats + 1):
        stages = Stages()
        count = WAYS[way](path, stages)
        runs.append(stages)
    # The first run also loads libraries and tables.
    least = {name: min(run[name] for run in runs[1:] or runs) for name in runs[0]}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"stages": least, "count": count, "peak_mb": peak}))


def timed(way: str, path: Path, side: int) -> dict:
    """Seconds by stage, carbides and peak memory of one picture, measured in a new process."""
    repeats = 5 if side <= 2048 and way != "plain" else 1
    command = [sys.executable, __file__, "--once", way, str(path), str(repeats)]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True, env=ONE_CORE).stdout)
    found["seconds"] = sum(s for name, s in found["stages"].items() if "not counted" not in name)
    return found


def row(side: int, name: str, found: dict) -> str:
    """One line of the table."""
    parts = ", ".join(f"{stage} {1000 * seconds:.0f}" for stage, seconds in found["stages"].items())
    return (f"{side:6d}² {found['count']:7d} {name:8} {1000 * found['seconds']:8.0f} ms {found['peak_mb']:6.0f} MB"
            f"   {parts}")  # fmt: skip


def exponent(amount: list[float], seconds: list[float]) -> float:
    """Slope of log seconds over log amount."""
    return float(np.polyfit(np.log(amount), np.log(seconds), 1)[0]) if len(amount) > 1 else float("nan")


def target(words: str, value: float, wanted: float, at_least: bool) -> str:
    """One target, and whether it is met."""
    met = value >= wanted if at_least else value <= wanted
    bound = "at least" if at_least else "at most"
    return f"  {words}: {value:.2f} (wanted: {bound} {wanted:g}) {'met' if met else 'MISSED'}"


def over_pixels(folder: Path, largest: int, plain_up_to: int) -> list[str]:
    """Time pictures from 512² up, with as many carbides for each megapixel; return the targets."""
    print("Pixels: 1 190 carbides a megapixel, 10 % of the area; ms of processor time, peak memory of the process")
    sides = [side for side in (512, 1024, 2048, 4096, 8192) if side <= largest]
    seconds, targets = [], []
    for side in sides:
        path = folder / f"{side}.tif"
        draw(path, side, round(PER_MEGAPIXEL * side**2 / 1e6))
        found = {way: timed(way, path, side) for way in WAYS if way != "plain" or side <= plain_up_to}
        for way, one in found.items():
            print(row(side, way, one), flush=True)
        seconds.append(found["program"]["seconds"])
        if side == 2048:
            targets.append(target("times the limit", seconds[-1] / found["limit"]["seconds"], 3, at_least=False))
            if "plain" in found:
                targets.append(target("times faster than plain", found["plain"]["seconds"] / seconds[-1], 25, True))
    return [*targets, target("exponent with pixels", exponent([s**2.0 for s in sides], seconds), 1.1, at_least=False)]


def over_carbides(folder: Path, side: int) -> list[str]:
    """Time one size of picture with ever more and smaller carbides; return the target."""
    print(f"Carbides: {side} × {side} px, 10 % of the area")
    counts, seconds = [], []
    # Below 3 px across they are no longer told from the matrix.
    for count in (c for c in COUNTS if FRACTION * side**2 / c > 12):
        path = folder / "carbides.tif"
        draw(path, side, count)
        found = timed("program", path, side)
        print(row(side, "program", found), flush=True)
        counts.append(found["count"])
        seconds.append(found["seconds"])
    return [target("exponent with carbides", exponent(counts, seconds), 1.1, at_least=False)]


class Spent(NamedTuple):
    """Wall seconds and processor seconds of a command, and MB of its largest process."""

    wall: float
    processor: float
    memory_mb: float


def command(arguments: list[str]) -> Spent:
    """Run the program as a command."""
    start = time.perf_counter()
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen([sys.executable, "-m", "micro", *arguments], env=ONE_CORE, **quiet)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"micro {arguments[0]} ended with {os.waitstatus_to_exitcode(status)}")
    return Spent(time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def measure(pictures: list[Path], out: Path, *options: str) -> Spent:
    """Run `micro measure` on pictures, with all of its files written."""
    return command(["measure", *map(str, pictures), "--um-per-px", "0.2", "--out", str(out), *options])


def start_up(folder: Path) -> list[str]:
    """Time the shortest commands, the least of three; return the targets."""
    print("Start: wall time of the whole command, on all cores (processor time of its own process)")
    path = folder / "field.tif"
    draw(path, 1024, round(PER_MEGAPIXEL * 1024**2 / 1e6))
    bare = min(command(["--help"]) for _ in range(3))
    one = min(measure([path], folder / f"one{number}") for number in range(3))
    for words, spent in (("--help", bare), ("measure, one field of 1024²", one)):
        print(f"  micro {words}: {spent.wall:.2f} s ({spent.processor:.2f} s)", flush=True)
    return [
        target("seconds of micro --help", bare.wall, 0.3, at_least=False),
        target("seconds of micro measure, one field of 1024²", one.wall, 2.5, at_least=False),
    ]


def over_fields(folder: Path, fields: int) -> list[str]:
    """Measure fields of 1024² with one worker and two, and a quarter of them with one; return the targets."""
    print("Fields of 1024 × 1024 px: wall and processor time of the whole command, memory of its largest process")
    pictures = [folder / f"field{number:04d}.tif" for number in range(fields)]
    for seed, path in enumerate(pictures):
        draw(path, 1024, round(PER_MEGAPIXEL * 1024**2 / 1e6), seed)
    spent = []
    for workers, count in ((1, max(1, fields // 4)), (1, fields), (2, fields)):
        own = measure(pictures[:count], folder / f"out{workers}_{count}", "--workers", str(workers))
        spent.append(own)
        print(
            f"  {workers} at work, {count:5d} fields {own.wall:8.1f} s ({own.processor:.1f} s) {own.memory_mb:6.0f} MB",
            flush=True,
        )
    few, one, two = spent
    return [
        target("times as fast with two workers", one.wall / two.wall, 1.8, at_least=True),
        target("times the memory for four times the fields", one.memory_mb / few.memory_mb, 1.1, at_least=False),
    ]


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--largest", type=int, default=4096, help="side of the largest picture, px")
    parser.add_argument("--plain-up-to", type=int, default=2048, help="side of the largest one for the plain script")
    parser.add_argument("--carbides-in", type=int, default=2048, help="side of the pictures with ever more carbides")
    parser.add_argument("--fields", type=int, default=24, help="fields for one worker and two")
    parser.add_argument("--once", nargs=3, metavar=("WAY", "PICTURE", "REPEATS"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.once:
        once(options.once[0], Path(options.once[1]), int(options.once[2]))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        targets = over_pixels(folder, options.largest, options.plain_up_to)
        targets += over_carbides(folder, options.carbides_in)
        targets += start_up(folder)
        targets += over_fields(folder, options.fields)
    print("Targets", *targets, sep="\n")


if __name__ == "__main__":
    main()
