"""The command that finds the scale on a picture of a stage micrometer."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from micro.scale.calibration import Calibration


@click.command(name="calibrate")
@click.argument("image", type=click.Path(path_type=Path))
@click.option("--pitch-um", type=float, required=True, help="Distance of neighbouring lines of the ruling in µm.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Calibration file (TOML) to write.")
@click.option("--page", type=click.IntRange(1), help="Page of a TIFF with several, from 1.")
def command(image: Path, pitch_um: float, out: Path | None, page: int | None) -> None:
    """Find the size of a pixel on IMAGE, a photograph of a stage micrometer.

    Photograph it with the objective and the camera settings of the micrographs.
    """
    import datetime as dt
    from dataclasses import replace

    from micro.errors import InputError
    from micro.image.reading import read
    from micro.scale.calibration import write_calibration
    from micro.scale.micrometer import calibrate

    micrograph = read(image, crop_bottom_px=0, page=page)
    try:
        found = calibrate(micrograph.grey, pitch_um)
    except InputError as trouble:
        raise InputError(image, trouble.problem, trouble.remedy) from None
    today = dt.datetime.now(dt.UTC).date().isoformat()
    found = replace(found, image=image.name, image_sha256=micrograph.sha256, date=today)
    click.echo(described(found))
    if out is not None:
        write_calibration(out, found)
        click.echo(f"written: {out}")


def described(found: Calibration) -> str:
    """Say what was found, a line each."""
    uncertainty = found.um_per_px_standard_uncertainty
    # Two figures of the uncertainty, as the guide to its expression asks, and the scale to the same place.
    decimals = max(0, 1 - math.floor(math.log10(uncertainty))) if uncertainty > 0 else 9
    numbers = (found.um_per_px, *found.interval95_um_per_px, uncertainty)
    size, low, high, standard = (f"{number:.{decimals}f}" for number in numbers)
    lines = [
        f"scale             {size} µm/px (95 % interval {low} to {high})",
        f"uncertainty       {standard} µm/px (standard uncertainty)",
        f"lines             {found.lines} at {found.pitch_um:g} µm, {found.lines_left_out} left out",
        f"tilt              {tilt(found)}",
        f"largest residual  {found.largest_residual_px:.3f} px",
    ]
    return "\n".join([*lines, f"distortion        {distortion(found)}"])


def tilt(found: Calibration) -> str:
    """Angle of the lines, with half of its 95 % interval, to the same place."""
    from micro.scale.scale import NORMAL_95

    half = NORMAL_95 * (found.tilt_deg_standard_uncertainty or 0.0)
    decimals = min(max(2, -math.floor(math.log10(half))), 6) if half > 0 else 2
    return f"{found.tilt_deg:.{decimals}f}° ± {half:.{decimals}f}°"


def distortion(found: Calibration) -> str:
    """Say whether the magnification drifts across the picture, with half of the 95 % interval of the largest drift."""
    from micro.scale.pitch import SIGNIFICANCE
    from micro.scale.scale import NORMAL_95

    drift, uncertainty = found.distortion_pct, found.distortion_pct_standard_uncertainty
    if drift is None or uncertainty is None or found.distortion_p_value is None:
        return "unknown: fewer than eight lines"
    largest = f"{drift:.2g} ± {NORMAL_95 * uncertainty:.2g} %"
    if found.distortion_p_value < SIGNIFICANCE:
        return f"the magnification drifts by up to {largest}; the interval holds it"
    return f"none beyond scatter (largest drift {largest})"
