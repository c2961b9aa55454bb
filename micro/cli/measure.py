"""The commands that measure: pictures as one specimen, and whole studies."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from micro.address import Address, is_address
from micro.cli.options import (
    load_beside,
    measure_and_print,
    out_option,
    parquet_option,
    skip_option,
    workers_option,
)


@click.command(name="measure")
@click.argument("images", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False))
@click.option("--um-per-px", type=float, help="Size of a pixel in µm.")
@click.option("--um-per-px-uncertainty", type=float, help="Standard uncertainty of that size in µm.")
@click.option("--calibration", type=click.Path(path_type=Path), help="Calibration file from micro calibrate.")
@click.option("--binning", type=click.IntRange(1, 16), default=1, help="Binning against the calibration picture.")
@click.option("--cropped", is_flag=True, help="The pictures were cropped from ones of the calibration picture's size.")
@click.option(
    "--carbides", type=click.Choice(["auto", "bright", "dark"]), default="auto", show_default=True,
    help="Grey of the carbides against the matrix.",
)  # fmt: skip
@click.option(
    "--colour", type=click.Choice(["luminance", "red", "green", "blue", "best"]), default="luminance",
    show_default=True,
    help="What is measured of a picture in colour; best: the axis that parts two levels most.",
)  # fmt: skip
@click.option(
    "--tone-curve", type=click.Choice(["linear", "srgb"]), default="linear", show_default=True,
    help="By which curve the camera saved its greys; srgb is undone before anything is measured.",
)  # fmt: skip
@click.option("--films", is_flag=True, help="Thin lines are films of carbide: measure them apart from the carbides.")
@click.option(
    "--rolling-deg", type=click.FloatRange(0, 180), help="Rolling direction, counter-clockwise from the horizontal."
)
@click.option("--crop-bottom", type=click.IntRange(0), help="Rows to cut at the bottom; found unless given.")
@click.option("--page", type=click.IntRange(1), help="Page of a TIFF with several, from 1.")
@click.option("--specimen", default="specimen", show_default=True, help="Name of the specimen.")
@click.option(
    "--taught-by", multiple=True, type=click.Path(path_type=Path),
    help="Tally of a point count that teaches the outlines, or a map that a run kept; may be repeated.",
)  # fmt: skip
@click.option(
    "--review", multiple=True, type=click.Path(path_type=Path),
    help="File that the page of micro review saved; its acts are applied. May be repeated.",
)  # fmt: skip
@out_option
@workers_option
@parquet_option
@skip_option
def command(
    images: tuple[Path, ...],
    um_per_px: float | None,
    um_per_px_uncertainty: float | None,
    calibration: Path | None,
    binning: int,
    cropped: bool,
    carbides: str,
    colour: str,
    tone_curve: str,
    films: bool,
    rolling_deg: float | None,
    crop_bottom: int | None,
    page: int | None,
    specimen: str,
    taught_by: tuple[Path, ...],
    review: tuple[Path, ...],
    out: Path,
    workers: int | None,
    parquet: bool,
    skip_bad_tallies: bool,
) -> None:
    """Measure IMAGES, all fields of one specimen.

    The scale is given, comes from a calibration file, or stands in the tags of the pictures.
    """
    if len(images) > 1:
        load_beside(workers)  # a single picture may be a mosaic, which is seen below
    from micro.errors import spelled
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.study.model import Specimen, study_of_images

    _check_scale(um_per_px, um_per_px_uncertainty, calibration)
    one = Specimen(
        name=spelled(specimen),
        fields=(),
        rolling_deg=rolling_deg,
        calibration=calibration,
        um_per_px=um_per_px,
        binning=binning,
        cropped=cropped,
        taught_by=taught_by,
        um_per_px_uncertainty=um_per_px_uncertainty,
        review=review,
    )
    settings = SegmentationSettings(carbides=carbides, films=films)
    reading = {"crop_bottom_px": crop_bottom, "page": page, "colour": colour, "tone_curve": tone_curve}
    study = study_of_images(images, one, settings, **reading)
    measure_and_print(study, out, workers, parquet, skip_bad_tallies=skip_bad_tallies)


def _check_scale(um_per_px: float | None, um_per_px_uncertainty: float | None, calibration: Path | None) -> None:
    """Refuse what is no size of a pixel, or two of them."""
    from micro.errors import UsageError
    from micro.scale.scale import PLAUSIBLE_UM_PER_PX

    lowest, highest = PLAUSIBLE_UM_PER_PX
    if um_per_px is not None and not lowest <= um_per_px <= highest:
        problem = f"{um_per_px:g} is not a size from {lowest:g} to {highest:g}"
        raise UsageError("--um-per-px", problem, "give µm per pixel, such as 0.2")
    if um_per_px is not None and calibration is not None:
        raise UsageError("--um-per-px", "stands beside --calibration", "give one of the two")
    if um_per_px_uncertainty is not None and not (um_per_px is not None and 0 <= um_per_px_uncertainty < um_per_px):
        problem = "needs --um-per-px, and is a number from 0 to below it"
        raise UsageError("--um-per-px-uncertainty", problem, "give the standard uncertainty of µm per pixel")


class Place(click.Path):
    """A folder, or an address."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take what starts with a scheme as an address, all else as click does."""
        text = os.fspath(value)
        return Address(text) if is_address(text) else super().convert(value, param, ctx)


@click.command(name="run")
@click.argument("study", type=click.Path(path_type=Path))
@out_option
@workers_option
@parquet_option
@skip_option
@click.option(
    "--allow", multiple=True, type=Place(path_type=Path, exists=True, file_okay=False),
    help="A folder beside the study's own, or an address, that the study file may point into; may be repeated.",
)  # fmt: skip
@click.option("--scheduler", help="Address of a dask scheduler that measures the fields, such as tcp://host:8786.")
def run(
    study: Path,
    out: Path,
    workers: int | None,
    parquet: bool,
    skip_bad_tallies: bool,
    allow: tuple[Path | Address, ...],
    scheduler: str | None,
) -> None:
    """Measure all specimens of the study file STUDY (TOML), compare them, write a report.

    Run it again after a stop: what is measured already is kept.
    """
    load_beside(workers)  # to read the study takes a fifth of a second
    from micro.study.reader import read_study

    measure_and_print(read_study(study, allow), out, workers, parquet, scheduler, skip_bad_tallies)
