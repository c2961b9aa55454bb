"""The command that makes synthetic micrographs with a known answer."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from micro.phantom.etch import Camera, Etch
    from micro.phantom.scenes import Scene

KINDS = {"tiff8": 8, "tiff16": 16, "png": 8}
AREA_PCT, ECD_UM, ASPECT, BANDING, SIZE = 10.0, 2.5, 1.5, 0.0, (1024, 768)
MOST_PX = 36_000_000
"""Pixels that can be measured in one piece."""


@click.command(name="phantom")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("phantom"), show_default=True,
    help="Folder for the pictures; new or empty.",
)  # fmt: skip
@click.option("--fields", type=click.IntRange(1, 10_000), default=6, show_default=True, help="How many.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same pictures.")
@click.option("--um-per-px", type=float, help="Size of a pixel in µm.  [default: 0.2, or as the FIELD says]")
@click.option("--rolling-deg", type=click.FloatRange(0, 180), default=0.0, show_default=True, help="Rolling direction.")
@click.option("--area-pct", type=click.FloatRange(0, 40), help=f"Area fraction wanted.  [default: {AREA_PCT:g}]")
@click.option("--ecd-um", type=float, help=f"Mean equivalent circle diameter.  [default: {ECD_UM}]")
@click.option("--aspect", type=click.FloatRange(1, 20), help=f"Median aspect ratio.  [default: {ASPECT}]")
@click.option("--banding", type=click.FloatRange(0, 2), help="Strength of the bands.  [default: 0]")
@click.option("--size", type=click.IntRange(64, 20_000), nargs=2, help="Columns and rows.  [default: 1024 768]")
@click.option("--kind", type=click.Choice(list(KINDS)), default="tiff8", show_default=True, help="PNG holds no scale.")
@click.option("--damage", is_flag=True, help="Add scratches, pits, dust and stains.")
@click.option(
    "--etch", "etches", multiple=True, metavar="NAME[=STRENGTH]",
    help="Etch or camera, repeatable: rim, dome, spread, lath, blocks, boundary, relief, pits, holes, film, gamma, "
    "sharpening, median, jpeg, gain, mosaic. Strengths are shares of the contrast unless docs/etches.md says other.",
)  # fmt: skip
@click.option("--into", type=click.Path(path_type=Path), help="FIELD: set carbides into it, and say which are found.")
def command(
    out: Path,
    fields: int,
    seed: int,
    um_per_px: float | None,
    rolling_deg: float,
    area_pct: float | None,
    ecd_um: float | None,
    aspect: float | None,
    banding: float | None,
    size: tuple[int, int] | None,
    kind: str,
    damage: bool,
    etches: tuple[str, ...],
    into: Path | None,
) -> None:
    """Make synthetic micrographs with their true answer beside them.

    With --into, set invented carbides into the matrix of a real field, look for them, and print from which size on they
    are found: the probability of detection.
    """
    _check(out, um_per_px, ecd_um)
    by = etch_and_camera(etches)
    if by and damage:
        _refuse("--etch", "stands beside --damage", "leave one out")
    told: dict[str, object] = {"area_pct": area_pct, "ecd_um": ecd_um, "aspect": aspect, "banding": banding}
    told |= {"size": size, "etch": etches or None}
    if into is not None:
        for name, value in told.items():
            if value is not None:
                option = f"--{name.replace('_', '-')}"
                _refuse(option, "stands beside --into, which takes it from the field", "leave one out")
        _detect(into, out, fields, seed, um_per_px, rolling_deg)
        return
    um_per_px = um_per_px or 0.2
    ecd_px = (ecd_um or ECD_UM) / um_per_px
    area_pct = AREA_PCT if area_pct is None else area_pct
    scene = _scene(ecd_px, area_pct, aspect or ASPECT, banding or BANDING, rolling_deg, KINDS[kind], damage)
    columns, rows = size or SIZE
    if rows * columns > MOST_PX:
        _refuse("--size", f"{columns} × {rows} pixels are too many", "stay below 36 million pixels")
    table = _draw(scene, (rows, columns), out, fields, seed, um_per_px, kind, by)
    mean = table.loc[table["carbide_class"] == "all", "area_fraction"].mean()
    drawn = f"{fields} field{'s' * (fields != 1)} with {100 * mean:.4g} % carbide on average"
    click.echo(f"{drawn}; the truth is in {out / 'truth_fields.csv'}")


def _check(out: Path, um_per_px: float | None, ecd_um: float | None) -> None:
    for name, value in (("--um-per-px", um_per_px), ("--ecd-um", ecd_um)):
        if value is not None and not (math.isfinite(value) and value > 0):
            _refuse(name, f"{value:g} is not a size above 0", "give a size in µm, such as 0.2")
    if out.exists() and any(out.iterdir()):
        _refuse("--out", f"{out} is not empty", "choose another folder")


def _refuse(where: str, problem: str, remedy: str) -> NoReturn:
    from micro.errors import UsageError

    raise UsageError(where, problem, remedy)


# What --etch takes: part of the drawing, its name there, and the strength where none is given.
ETCHES = {
    "rim": ("etch", "rim", 0.3),
    "dome": ("etch", "dome_px", 1.5),
    "spread": ("etch", "grey_spread", 0.15),
    "lath": ("etch", "lath", 0.1),
    "blocks": ("etch", "blocks", 0.1),
    "boundary": ("etch", "boundary", -0.6),
    "relief": ("etch", "relief", 0.2),
    "pits": ("etch", "pits", 0.01),
    "holes": ("etch", "holes", 0.05),
    "film": ("etch", "film_px", 3.0),
    "gamma": ("camera", "gamma", 0.7),
    "sharpening": ("camera", "sharpening", 0.5),
    "median": ("camera", "median_px", 3.0),
    "jpeg": ("camera", "jpeg", 80.0),
    "gain": ("camera", "gain", 1.6),
    "mosaic": ("camera", "mosaic", 1.0),
}


def etch_and_camera(given: tuple[str, ...]) -> tuple[Etch, Camera] | None:
    """Etch and camera from NAME[=STRENGTH] words; None without any."""
    from micro.phantom.etch import Camera, Etch

    words: dict[str, dict[str, float]] = {"etch": {}, "camera": {}}
    for text in given:
        name, stands, strength = text.partition("=")
        if name not in ETCHES:
            _refuse("--etch", f"{name!r} is none of {', '.join(ETCHES)}", "give one of them")
        part, known, value = ETCHES[name]
        try:
            value = float(strength) if stands else value
        except ValueError:
            value = math.nan
        if not -1 <= value <= 100:
            _refuse("--etch", f"{text}: the strength is no number from -1 to 100", f"write {name}={ETCHES[name][2]:g}")
        words[part][known] = value
    if not given:
        return None
    drawn, taken = words["etch"], words["camera"]
    whole = {name: int(taken[name]) for name in ("median_px", "jpeg", "mosaic") if name in taken}
    etch: dict[str, Any] = drawn | {"film": "film_px" in drawn}
    camera: dict[str, Any] = taken | whole
    return Etch(**etch), Camera(**camera)


def _scene(
    ecd_px: float, area_pct: float, aspect: float, banding: float, rolling_deg: float, bits: int, damage: bool
) -> Scene:
    """Scene of one bright class, as told on the command line."""
    from micro.phantom.picture import Damage, Optics
    from micro.phantom.scenes import Population, Scene

    level = 1.0 if bits == 8 else 257.0
    misalignment = 15.0 if aspect > 1 else None
    return Scene(
        populations=(
            Population(area_pct / 100, ecd_px, aspect=aspect, misalignment_deg=misalignment, banding=banding),
        ),
        rolling_deg=rolling_deg,
        optics=Optics(
            100 * level, (200 * level,), blur_px=1.0, noise=4.0 * level, shading=0.15, texture=5.0 * level,
            grey_max=255.0 * level,
        ),
        damage=Damage(scratches=1.0, pits=3.0, dust=0.2, stains=0.1) if damage else Damage(),
    )  # fmt: skip


def _draw(
    scene: Scene, shape: tuple[int, int], out: Path, fields: int, seed: int, um_per_px: float, kind: str,
    by: tuple[Etch, Camera] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Write the pictures, with truth_fields.csv and truth_particles.csv; return the former."""
    import numpy as np
    import pandas as pd

    from micro import results
    from micro.phantom.etch import etched_field
    from micro.phantom.picture import field_rows, particle_rows
    from micro.phantom.scenes import make_field

    out.mkdir(parents=True, exist_ok=True)
    rows, particles = [], []
    with click.progressbar(range(1, fields + 1), label="drawing", file=sys.stderr) as numbers:
        for number in numbers:
            name = f"field-{number:0{len(str(fields))}d}"
            rng = np.random.default_rng([seed, number])
            grey, truth = etched_field(scene, shape, *by, rng) if by else make_field(scene, shape, rng)
            _write(out / name, grey, um_per_px, kind)
            own = field_rows(truth, scene.class_names, um_per_px)
            rows += [{"field": name, "um_per_px": um_per_px, **row} for row in own]
            particles.append(particle_rows(truth, um_per_px).assign(field=name))
    table = pd.DataFrame(rows)
    results.write_table(out / "truth_fields.csv", table)
    results.write_table(out / "truth_particles.csv", pd.concat(particles))
    return table


def _write(path: Path, grey: NDArray[np.float32], um_per_px: float, kind: str) -> None:
    if kind == "png":
        import cv2

        cv2.imwrite(f"{path}.png", grey.astype("uint8"))
        return
    from micro.phantom.picture import write_tiff

    write_tiff(path.with_suffix(".tif"), grey, um_per_px, KINDS[kind])


def _detect(into: Path, out: Path, pictures: int, seed: int, um_per_px: float | None, rolling_deg: float) -> None:
    """Set carbides into a field, print and write which are found."""
    from micro import results
    from micro.errors import InputError
    from micro.field import measure
    from micro.figures.style import styled, write_figure
    from micro.report.study_figures import draw_detection
    from micro.report.wording import wrapped
    from micro.run.detection import detect, size_table

    found = measure(into, um_per_px, rolling_deg)
    if not found.segmentation.classes:
        raise InputError(into, "no second phase found", "detection needs a field with carbides")
    answer = detect(found, pictures, seed)
    table = size_table(answer, into.stem)
    results.write_table(out / "detection.csv", table)
    with styled() as (figure, axes):
        draw_detection(axes[0], table, answer.curve)
        write_figure(figure, out, "detection")
    click.echo(wrapped(answer.sentence))
    click.echo(f"{len(answer.trials)} carbides set into {into.name}; every size is in {out / 'detection.csv'}")
