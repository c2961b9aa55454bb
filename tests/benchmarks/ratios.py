"""Every ratio the program's speed is held to, in one command; both sides of each in one run on one machine.

    python tests/benchmarks/ratios.py [PART ...] [--repeats 5] [--fields 40] [--counts 100 1000] [--real PICTURE ...]

Parts: field, start, workers, answer, etched, mosaic, many, table; all unless named. Numeric libraries have one thread.
Both sides of a ratio take turns, and the best turn of each counts. Processor time, user and system, is what a busy
machine disturbs least; where a person waits, wall time stands beside it. Prints each ratio with what was wanted.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import tifffile
from plain_script import Stages
from speed import ONE_CORE, PER_MEGAPIXEL, SCALE, Spent, command, draw, exponent, least, measure, target

from micro import results
from micro.batch.job import Job, label_file, measure_one, measured_field, write_field
from micro.batch.job import _tables as tables_of
from micro.geometry.runs import find_runs
from micro.phantom.etch import Camera, Etch, etched_field
from micro.phantom.scenes import Population, Scene, make_field
from micro.pictures.outlines import FIRST_COLOUR, PALETTE
from micro.pictures.png import png
from micro.processes import prepare_process
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field

SIDE, WORKERS_SIDE, MANY_SIDE, DIFFERENT, MOSAIC_PARTS = 2048, 1024, 512, 16, 4
SHARE, ECD_PX = 0.10, 8.0
STUDY = """\
title = "Many fields"
um_per_px = 0.2
rolling_deg = 20

[[specimen]]
name = "A"
images = ["*.tif"]
"""
ETCHES = (
    Etch(lath=0.15, boundary=-0.5, rim=0.3),
    Etch(lath=0.2, pits=0.01, grey_spread=0.15),
    Etch(dome_px=1.5, relief=0.2, blocks=0.1),
    Etch(boundary=0.5, lath=0.1, holes=0.05),
)


def of_file(path: Path, out: Path) -> Job:
    """All that a worker gets to measure one picture."""
    return Job("A", Field("f", path, path.name, "f", SegmentationSettings()), SCALE, 1, 20.0, out)


def whole_field(path: Path, out: Path) -> None:
    """Measure a picture and write all files of its field."""
    outcome = measure_one(of_file(path, out))
    if outcome.trouble:
        raise SystemExit(outcome.trouble)
    (out / results.PARTS / "f" / results.RECORD).unlink()  # else the next turn would take what stands there


def plain_field(path: Path, out: Path) -> None:
    """Measure a picture with the plain script, and write table, labels and outlines as one would there."""
    from plain_script import measure_labels, outline_plainly
    from skimage import io
    from skimage.segmentation import mark_boundaries

    grey = tifffile.imread(path)
    labels = outline_plainly(grey.astype(np.float32))
    table, totals = measure_labels(labels, grey.astype(np.float32), SCALE.um_per_px, 20.0)
    out.mkdir(exist_ok=True)
    table.to_csv(out / "carbides.csv", index=False)
    (out / "field.json").write_text(json.dumps(totals))
    tifffile.imwrite(out / "labels.tif", labels, compression="zlib")
    io.imsave(out / "outlines.png", (255 * mark_boundaries(grey, labels)).astype(np.uint8), check_contrast=False)


def least_field(path: Path, out: Path) -> None:
    """Run the least that any way needs, and write files of the same size by the same packing: the limit.

    The tables are those of the program, measured once; writing them is part of the limit.
    """
    if path not in _measured:
        job = of_file(path, out)
        found = measured_field(job)
        _measured[path] = (tables_of(job, found, found.issues), found.segmentation.excluded)
    tables, excluded = _measured[path]
    grey, labels = least(path, Stages())
    number = labels.astype(np.uint16)
    grey[number != cv2.erode(number, np.ones((3, 3), np.uint8))] = FIRST_COLOUR
    contents = {
        f"{results.LABELS}/f.tif": label_file(labels, find_runs(labels, int(labels.max())), "f", SCALE.um_per_px),
        f"{results.OUTLINES}/f.png": png(grey, PALETTE),
        results.left_out_file("f"): png(excluded),
    }
    write_field(out, "f", tables, contents)


_measured: dict[Path, tuple] = {}
WAYS: dict[str, Callable[[Path, Path], None]] = {"program": whole_field, "plain": plain_field, "limit": least_field}


def once(way: str, path: Path, repeats: int) -> None:
    """Run one way in this process, first to load; print the least processor time of the others."""
    prepare_process()
    spent = []
    with tempfile.TemporaryDirectory() as out:
        for _ in range(repeats + 1):
            start = time.process_time()
            WAYS[way](path, Path(out))
            spent.append(time.process_time() - start)
    print(json.dumps(min(spent[1:] or spent)))


def timed(way: str, path: Path, repeats: int) -> float:
    """Least processor seconds of one picture in a process of its own, without its start."""
    line = [sys.executable, __file__, "--once", way, str(path), str(repeats)]
    return float(json.loads(subprocess.run(line, check=True, capture_output=True, text=True, env=ONE_CORE).stdout))


def field_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """One field of 2048², its files included, against the plain script and against the limit."""
    path = folder / "large.tif"
    draw(path, SIDE, round(PER_MEGAPIXEL * SIDE**2 / 1e6))
    # In turns, so that what else the machine does meets all of them.
    turns = [(timed("program", path, 3), timed("limit", path, 3)) for _ in range(options.repeats)]
    program, least = (min(side) for side in zip(*turns, strict=True))
    plainly = timed("plain", path, 1)
    print(f"  one field of {SIDE}², files included, one core: program {program:.3f} s, limit {least:.3f} s, "
          f"plain script {plainly:.2f} s")  # fmt: skip
    return [
        target("field with files, times faster than plain", plainly / program, 25, at_least=True),
        target("field with files, times the limit", program / least, 5, at_least=False),
    ]


def start_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Four fields of 2048² from start to report, one core, against the plain script started once."""
    paths = [folder / f"start{number}.tif" for number in range(4)]
    for seed, path in enumerate(paths):
        draw(path, SIDE, round(PER_MEGAPIXEL * SIDE**2 / 1e6), seed)
    runs = [measure(paths, folder / f"start{n}", "--workers", "1") for n in range(min(options.repeats, 3))]
    ours = min(runs, key=lambda run: run.processor)
    line = [sys.executable, __file__, "--plain-script", *map(str, paths), "--into", str(folder / "plainly")]
    theirs = spent_by(line)
    print(f"  four fields of {SIDE}² to report: program {ours.processor:.2f} s of processor, {ours.wall:.2f} of wall; "
          f"plain script {theirs.processor:.2f} and {theirs.wall:.2f} s")  # fmt: skip
    return [
        target("four fields to report, times faster (processor)", theirs.processor / ours.processor, 12, True),
        target("four fields to report, times faster (wall)", theirs.wall / ours.wall, 12, True),
    ]


def spent_by(line: list[str]) -> Spent:
    """Wall, processor time and memory of any command."""
    start = time.perf_counter()
    _, status, usage = os.wait4(subprocess.Popen(line, env=ONE_CORE).pid, 0)
    if status:
        raise SystemExit(f"{line[1]} ended with {os.waitstatus_to_exitcode(status)}")
    return Spent(time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def workers_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Two workers against one, in turns; a busy machine makes it smaller, never larger."""
    pictures = [folder / f"work{number:03d}.tif" for number in range(options.fields)]
    for seed, path in enumerate(pictures):
        draw(path, WORKERS_SIDE, round(PER_MEGAPIXEL * WORKERS_SIDE**2 / 1e6), seed)
    turns = [
        [measure(pictures, folder / f"work{workers}_{n}", "--workers", str(workers)) for workers in (1, 2)]
        for n in range(min(options.repeats, 2))
    ]
    one, two = (min(run.wall for run in side) for side in zip(*turns, strict=True))
    print(f"  {options.fields} fields of {WORKERS_SIDE}²: one worker {one:.1f} s, two {two:.1f} s of wall")
    return [target(f"two workers against one, {options.fields} fields", one / two, 1.8, at_least=True)]


def answer_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Seconds until the first picture of 1024 × 768 px is answered, and until its report stands."""
    path = folder / "small.png"
    grey, _ = make_field(Scene((Population(SHARE, ECD_PX),)), (768, 1024), np.random.default_rng(1))
    cv2.imwrite(str(path), grey.astype(np.uint8))
    turns = [answered(path, folder / f"small{n}") for n in range(options.repeats)]
    first, last = (min(side) for side in zip(*turns, strict=True))
    print(f"  one picture of 1024 × 768 px: answer printed after {first:.2f} s, report after {last:.2f} s of wall")
    return [
        target("seconds to the printed answer", first, 0.9, at_least=False),
        target("seconds to the report", last, 1.5, at_least=False),
    ]


def answered(path: Path, out: Path) -> tuple[float, float]:
    """Seconds until a command prints the first line of what it found, and until it ends."""
    start = time.perf_counter()
    line = [sys.executable, "-m", "micro", "measure", str(path), "--um-per-px", "0.2", "--out", str(out)]
    with subprocess.Popen(line, env=ONE_CORE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        seconds = time.perf_counter() - start
        rest = process.stdout.read()
    if process.returncode or not first.strip():
        raise SystemExit(f"micro measure ended with {process.returncode} and {len(rest)} bytes more")
    return seconds, time.perf_counter() - start


def etched_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Cost a pixel of etched pictures, files included, over that of clean invented ones of the same size."""
    clean = folder / "clean.tif"
    etched: list[Path] = list(options.real)
    scene = Scene((Population(SHARE, ECD_PX),), rolling_deg=20.0)
    if not etched:
        for seed, etch in enumerate(ETCHES):
            grey, _ = etched_field(scene, (WORKERS_SIDE, WORKERS_SIDE), etch, Camera(), np.random.default_rng(seed))
            etched.append(folder / f"etched{seed}.tif")
            tifffile.imwrite(etched[-1], grey.astype(np.uint8))
    found = []
    for path in etched:
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        pixels = picture.size
        grey, _ = etched_field(scene, picture.shape, Etch(), Camera(), np.random.default_rng(0))
        tifffile.imwrite(clean, grey.astype(np.uint8))
        ours, bare = (min(timed("program", p, 3) for _ in range(min(options.repeats, 2))) for p in (path, clean))
        found.append(ours / bare)
        print(f"  {path.name}: {1e9 * ours / pixels:.0f} ns a pixel, clean {1e9 * bare / pixels:.0f}: {found[-1]:.2f}")
    words = "real" if options.real else "invented etched"
    return [
        target(f"{words} pictures, cost a pixel over clean ones, median", float(np.median(found)), 1.5, at_least=False),
        target(f"{words} pictures, cost a pixel over clean ones, largest", max(found), 1.5, at_least=False),
    ]


def mosaic_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Speed a pixel of one stitched mosaic over that of its tiles as single fields, start to report."""
    whole, side = folder / "mosaic.tif", MOSAIC_PARTS * SIDE
    mean_ecd = float(np.sqrt(SHARE * 1e6 / PER_MEGAPIXEL / (np.pi / 4 * np.exp(0.4**2))))
    scene = Scene((Population(SHARE, mean_ecd, 0.4, aspect=1.6, misalignment_deg=15.0),), rolling_deg=20.0)
    grey = make_field(scene, (side, side), np.random.default_rng(1))[0].astype(np.uint8)
    tifffile.imwrite(whole, grey, tile=(512, 512), compression="zlib")
    tiles = [folder / f"tile{number:02d}.tif" for number in range(MOSAIC_PARTS**2)]
    for path, (row, column) in zip(tiles, itertools.product(range(0, side, SIDE), repeat=2), strict=True):
        tifffile.imwrite(path, grey[row : row + SIDE, column : column + SIDE], tile=(512, 512), compression="zlib")
    turns = [
        [measure(pictures, folder / f"of{len(pictures)}_{n}", "--workers", "1") for pictures in (tiles, [whole])]
        for n in range(min(options.repeats, 2))
    ]
    single, mosaic = (min(run.processor for run in side) for side in zip(*turns, strict=True))
    print(f"  {len(tiles)} fields of {SIDE}²: {single:.1f} s of processor; stitched to one mosaic: {mosaic:.1f} s")
    return [target("speed a pixel of a mosaic over that of single fields", single / mosaic, 0.9, at_least=True)]


def many_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """Exponent of processor time against fields of 512², whole run to report; few different pictures, copied."""
    different = []
    for seed in range(DIFFERENT):
        different.append(folder / f"tile{seed}.tif")
        draw(different[-1], MANY_SIDE, round(PER_MEGAPIXEL * MANY_SIDE**2 / 1e6), seed)
    spent = []
    for count in options.counts:
        own = folder / f"many{count}"
        own.mkdir()
        for number in range(count):
            (own / f"f{number:05d}.tif").hardlink_to(different[number % DIFFERENT])
        (own / "study.toml").write_text(STUDY)
        spent.append(command(["run", str(own / "study.toml"), "--out", str(own / "out"), "--workers", "1"]))
        print(f"  {count} fields of {MANY_SIDE}²: {spent[-1].processor:.1f} s of processor, {spent[-1].wall:.1f} s of "
              f"wall, largest process {spent[-1].memory_mb:.0f} MB", flush=True)  # fmt: skip
    found = exponent([float(count) for count in options.counts], [one.processor for one in spent])
    return [target(f"exponent of time, {options.counts[0]} to {options.counts[-1]} fields", found, 1.02, False)]


def table_ratio(folder: Path, options: argparse.Namespace) -> list[str]:
    """MB of particles.csv made in a second of processor time, of a table with as many rows as a field of 2048²."""
    path = folder / "table.tif"
    draw(path, SIDE, round(PER_MEGAPIXEL * SIDE**2 / 1e6))
    job = of_file(path, folder)
    found = measured_field(job)
    table = tables_of(job, found, found.issues)[results.PARTICLES]
    seconds = []
    for _ in range(max(options.repeats, 3)):
        start = time.process_time()
        size = len(results.table_bytes(table))
        seconds.append(time.process_time() - start)
    print(f"  {len(table)} rows of particles.csv, {size / 1e6:.2f} MB in {1000 * min(seconds):.0f} ms")
    return [target("MB/s of particles.csv", size / 1e6 / min(seconds), 50, at_least=True)]


PARTS = {
    "field": field_ratio, "start": start_ratio, "workers": workers_ratio, "answer": answer_ratio,
    "etched": etched_ratio, "mosaic": mosaic_ratio, "many": many_ratio, "table": table_ratio,
}  # fmt: skip


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", help="all unless named")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--fields", type=int, default=40, help="for one worker against two")
    parser.add_argument("--counts", type=int, nargs="+", default=[100, 1000, 10_000])
    parser.add_argument("--real", type=Path, nargs="+", default=[], help="etched pictures in place of invented ones")
    parser.add_argument("--once", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--plain-script", type=Path, nargs="+", help=argparse.SUPPRESS)
    parser.add_argument("--into", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.once:
        once(options.once[0], Path(options.once[1]), int(options.once[2]))
        return
    for path in options.plain_script or []:
        options.into.mkdir(exist_ok=True)
        plain_field(path, options.into / path.stem)
    if options.plain_script:
        return
    targets = []
    with tempfile.TemporaryDirectory() as name:
        for part in options.parts or PARTS:
            print(f"{part}: {PARTS[part].__doc__}", flush=True)
            targets += PARTS[part](Path(name), options)
    print("Targets", *targets, sep="\n")


if __name__ == "__main__":
    main()
