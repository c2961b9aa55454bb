"""Time and memory of what follows the fields of a long study: joining, checking, summarising, comparing, reporting.

    python tests/benchmarks/long_summary.py FOLDER [--fields 100 1000 10000] [--carbides 700]

The fields are not measured here. A few invented ones are; the tables of all others are theirs, with sizes moved a
little and every carbide in a place of its own. Two bars share the fields. Each study runs in a process of its own;
prints processor seconds and peak memory of it, and the exponent of time against fields.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from micro import results
from micro.batch.fields import check_across_fields, gather
from micro.batch.job import PROFILE_COLUMNS, Outcome
from micro.field import measure
from micro.image.reading import read
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.processes import hold_threads
from micro.report.record import run_record, write_record
from micro.run.study import write_pages, write_tables
from micro.scale.scale import Scale
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study
from micro.tables.columns import FIELDS, PARTICLES, names

SIDE, MODELS, VARIANTS, UM_PER_PX, BARS = 768, 4, 40, 0.2, ("A", "B")
LENGTHS = ["ecd_um", "feret_max_um", "feret_min_um", "major_um", "minor_um", "length_along_um", "width_across_um"]
AREAS = ["area_um2", "outline_area_um2"]


def models(folder: Path, carbides: int) -> list[dict[str, pd.DataFrame]]:
    """Tables of a few fields, by the names of their files; the picture of the first stands for all."""
    measured = []
    for seed in range(MODELS):
        share, ecd = 0.1, float(np.sqrt(0.1 * SIDE**2 / carbides / (np.pi / 4 * np.exp(0.35**2))))
        scene = Scene((Population(share, ecd, 0.35),), optics=Optics(100, (200,), noise=4.0))
        grey, _ = make_field(scene, (SIDE, SIDE), np.random.default_rng(seed))
        path = folder / ("field.png" if seed == 0 else f"model{seed}.png")
        cv2.imwrite(str(path), grey.astype(np.uint8))
        found = measure(read(path, scale=Scale(UM_PER_PX, 0.001, "given")))
        measured.append({
            results.PARTICLES: found.particles, results.FIELDS: found.field, results.PROFILES: found.profiles,
        })  # fmt: skip
    return measured


def variants(of_models: list[dict[str, pd.DataFrame]]) -> list[dict[str, pd.DataFrame]]:
    """Tables of some more fields: those of the models with every size moved by a factor of its own."""
    made = []
    for number in range(VARIANTS):
        rng, tables = np.random.default_rng(number), dict(of_models[number % len(of_models)])
        particles = tables[results.PARTICLES].copy()
        factor = rng.lognormal(0, 0.05, len(particles))
        particles[LENGTHS] = particles[LENGTHS].mul(factor, axis=0)
        particles[AREAS] = particles[AREAS].mul(factor**2, axis=0)
        rows = tables[results.FIELDS]
        moved = [c for c in rows.columns if c.startswith(("area_fraction", "number_", "intercepts_", "mean_"))]
        rows = rows.assign(
            image="field.png", flags="", message="", **{c: rows[c] * rng.lognormal(0, 0.05) for c in moved}
        )
        made.append(tables | {results.PARTICLES: particles, results.FIELDS: rows})
    return made


def write_parts(out: Path, study: Study, of_models: list[dict[str, pd.DataFrame]]) -> None:
    """Write the tables of every field: one of the variants, with every carbide in a place of its own."""
    columns = {results.PARTICLES: names(PARTICLES), results.FIELDS: names(FIELDS), results.PROFILES: PROFILE_COLUMNS}
    texts = []
    for tables in variants(of_models):
        named = {"specimen": "SPECIMEN", "field": "FIELD", "file": "FIELD"}
        texts.append({
            name: results.table_bytes(table.assign(**named)[columns[name]]).decode() for name, table in tables.items()
        })  # fmt: skip
    number = 0
    for specimen in study.specimens:
        for field in specimen.fields:
            rng, text = np.random.default_rng(number), texts[number % len(texts)]
            head, *lines = text[results.PARTICLES].splitlines()
            places = (rng.random((len(lines), 2)) * SIDE * UM_PER_PX).tolist()
            cells = (line.split(",", 6) for line in lines)
            moved = [
                f"{','.join(cell[:4])},{x:.9g},{y:.9g},{cell[6]}" for cell, (x, y) in zip(cells, places, strict=True)
            ]
            for name, content in (text | {results.PARTICLES: "\n".join([head, *moved, ""])}).items():
                place = out / f"{results.PARTS}/{field.stem}/{name}"
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_text(content.replace("SPECIMEN", specimen.name).replace("FIELD", field.name))
            number += 1


def study_of(folder: Path, fields: int) -> Study:
    """Two bars with half of the fields each."""
    settings = SegmentationSettings()
    bars = []
    for bar in BARS:
        own = [f"{bar}{number:05d}" for number in range(fields // len(BARS))]
        of_bar = tuple(Field(name, folder / "field.png", "field.png", name, settings) for name in own)
        bars.append(Specimen(name=bar, fields=of_bar, um_per_px=UM_PER_PX))
    return Study("A long study", tuple(bars), "invented")


def once(folder: Path, fields: int) -> None:
    """Join, check, summarise, compare and report in this process; print what it took, stage by stage."""
    hold_threads()
    study, out = study_of(folder, fields), folder / f"out{fields}"
    outcomes = tuple(
        Outcome(s.name, f.name, f.stem, f.shown, f"{s.name}{f.name}") for s in study.specimens for f in s.fields
    )
    stages, mark = {}, time.process_time()

    def lap(name: str) -> None:
        nonlocal mark
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        stages[name] = (time.process_time() - mark, peak)
        mark = time.process_time()

    gather(outcomes, out)
    lap("join")
    outcomes = check_across_fields(study, outcomes, out)
    lap("check")
    tables, answer = write_tables(study, outcomes, out)
    lap("summarise, compare")
    write_pages(study, outcomes, out, tables, answer)
    lap("report")
    write_record(run_record(study, outcomes, out, "2000-01-01", 0.0), out)
    lap("record")
    print(json.dumps(stages))


def main() -> None:
    """Build each study, run it, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--fields", type=int, nargs="+", default=[100, 1000, 10000])
    parser.add_argument("--carbides", type=int, default=700)
    parser.add_argument("--once", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    folder = options.folder.resolve()
    if options.once:
        once(folder, options.once)
        return
    folder.mkdir(parents=True, exist_ok=True)
    made, spent = None, []
    for fields in options.fields:
        out = folder / f"out{fields}"
        if not out.exists():
            made = made or models(folder, options.carbides)
            write_parts(out, study_of(folder, fields), made)
        command = [sys.executable, __file__, str(folder), "--once", str(fields)]
        stages = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        spent.append(sum(seconds for seconds, _ in stages.values()))
        told = ", ".join(f"{name} {seconds:.1f} s, {peak:.0f} MB" for name, (seconds, peak) in stages.items())
        rows = sum(1 for _ in (out / results.PARTICLES).open("rb")) - 1
        page = (out / results.REPORT).stat().st_size / 1e6
        print(f"{fields:6d} fields {rows:8d} carbides {spent[-1]:7.1f} s of processor time; report {page:.1f} MB; "
              f"{told}", flush=True)  # fmt: skip
    if len(spent) > 1:
        exponents = np.diff(np.log(spent)) / np.diff(np.log(options.fields))
        print("exponents of time against fields, step by step:", ", ".join(f"{e:.2f}" for e in exponents))


if __name__ == "__main__":
    main()
