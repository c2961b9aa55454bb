"""The command that finds the scale on a picture of a known length."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from micro.image.micrograph import Micrograph
    from micro.scale.calibration import Calibration


@click.command(name="calibrate")
@click.argument("image", type=click.Path(path_type=Path))
@click.option("--pitch-um", type=float, help="Distance of neighbouring lines of a stage micrometer in µm.")
@click.option("--pitch-uncertainty-um", type=float, help="Its standard uncertainty, from the certificate.")
@click.option(
    "--turned",
    type=click.Path(path_type=Path),
    help="A second picture of the micrometer, turned by 90°: tells whether pixels are square, and corrects for it.",
)
@click.option("--bar-um", type=float, help="Length of the scale bar drawn into the picture in µm.")
@click.option("--points", metavar="X1,Y1,X2,Y2", help="Two ends of a known length, px from the top left corner.")
@click.option("--length-um", type=float, help="That length in µm.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Calibration file (TOML) to write.")
@click.option("--page", type=click.IntRange(1), help="Page of a TIFF with several, from 1.")
def command(
    image: Path,
    pitch_um: float | None,
    pitch_uncertainty_um: float | None,
    turned: Path | None,
    bar_um: float | None,
    points: str | None,
    length_um: float | None,
    out: Path | None,
    page: int | None,
) -> None:
    """Find the size of a pixel on IMAGE: on a stage micrometer, on a drawn scale bar, or between two points.

    Photograph a stage micrometer with the objective and the camera settings of the micrographs, its lines along a side
    of the picture, and once more turned by a quarter turn.
    """
    import datetime as dt
    from dataclasses import replace

    from micro.errors import InputError, UsageError, spelled
    from micro.image.reading import read
    from micro.owned import check_new_file
    from micro.scale.calibration import TURNED, calibrate, calibrated_from, write_calibration

    _check_choice(pitch_um, pitch_uncertainty_um, bar_um, points, length_um)
    if turned is not None and pitch_um is None:
        raise UsageError("--turned", "needs --pitch-um", "give the distance of the lines")
    pictures = [image] if turned is None else [image, turned]
    if out is not None:
        check_new_file(out, pictures, replaceable=calibrated_from(out, spelled(image.name)))
    micrograph, *others = (read(path, crop_bottom_px=0, page=page) for path in pictures)
    try:
        if pitch_um is not None:
            second = others[0].grey if others else None
            found = calibrate(micrograph.grey, pitch_um, pitch_uncertainty_um or 0.0, second)
        elif bar_um is not None:
            found = from_bar(micrograph, bar_um)
        else:
            found = from_points(micrograph, points or "", length_um or 0.0)
    except InputError as trouble:
        where = image if turned is None or trouble.where != TURNED else turned
        raise InputError(where, trouble.problem, trouble.remedy) from None
    if turned is not None:
        found = replace(found, turned_image=spelled(turned.name), turned_image_sha256=others[0].sha256)
    today = dt.datetime.now(dt.UTC).date().isoformat()
    found = replace(found, image=spelled(image.name), image_sha256=micrograph.sha256, date=today)
    click.echo(described(found))
    if out is not None:
        write_calibration(out, found)
        click.echo(f"written: {out}")


def _check_choice(
    pitch_um: float | None, uncertainty_um: float | None, bar_um: float | None, points: str | None, length: float | None
) -> None:
    """Refuse anything but one whole way to find the scale."""
    from micro.errors import UsageError

    ways = [pitch_um is not None, bar_um is not None, points is not None or length is not None]
    if sum(ways) != 1 or (points is None) != (length is None):
        problem = "one of --pitch-um, --bar-um, or --points with --length-um is needed"
        raise UsageError("calibrate", problem, "give what the picture shows: a ruling, a drawn bar, or two points")
    if uncertainty_um is not None and not (pitch_um is not None and 0 <= uncertainty_um < math.inf):
        problem = "needs --pitch-um, and a number of 0 or more"
        raise UsageError("--pitch-uncertainty-um", problem, "give the one that the certificate states")


def from_bar(micrograph: Micrograph, bar_um: float) -> Calibration:
    """Calibration from the scale bar drawn into a picture; say where it was found."""
    from micro.scale.calibration import calibration_by_length
    from micro.scale.drawn_bar import find_drawn_bar

    bar = find_drawn_bar(micrograph.grey, micrograph.grey_max)
    click.echo(f"scale bar         {bar.words}")
    rows, columns = micrograph.grey.shape
    return calibration_by_length(bar_um, bar.length_px, bar.standard_uncertainty_px, (rows, columns), "drawn bar")


def from_points(micrograph: Micrograph, points: str, length_um: float) -> Calibration:
    """Calibration from two points of a picture, named as x1,y1,x2,y2."""
    from micro.errors import InputError
    from micro.scale.calibration import calibration_by_length
    from micro.scale.drawn_bar import by_points

    rows, columns = micrograph.grey.shape
    try:
        x1, y1, x2, y2 = map(float, points.split(","))
    except ValueError:
        raise InputError("points", f"{points!r} are not four numbers", "give --points x1,y1,x2,y2") from None
    if not (all(0 <= x <= columns for x in (x1, x2)) and all(0 <= y <= rows for y in (y1, y2))):
        raise InputError(
            "points", f"lie outside the picture of {columns} × {rows} px", "count from its top left corner"
        )
    length, uncertainty = by_points(x1, y1, x2, y2)
    return calibration_by_length(length_um, length, uncertainty, (rows, columns), "two points")


def described(found: Calibration) -> str:
    """Say what was found, a line each."""
    from micro.scale.calibration import METHODS

    uncertainty = found.um_per_px_standard_uncertainty
    # Two figures of the uncertainty, as the guide to its expression asks, and the scale to the same place.
    decimals = max(0, 1 - math.floor(math.log10(uncertainty))) if uncertainty > 0 else 9
    numbers = (found.um_per_px, *found.interval95_um_per_px, uncertainty)
    size, low, high, standard = (f"{number:.{decimals}f}" for number in numbers)
    told = [
        f"scale             {size} µm/px (95 % interval {low} to {high})",
        f"uncertainty       {standard} µm/px (standard uncertainty)",
    ]
    if found.method != METHODS[0]:
        return "\n".join([*told, f"from              {found.method}, {found.pitch_um:g} µm"])
    lines = [
        *told,
        f"lines             {found.lines} at {found.pitch_um:g} µm, {found.lines_left_out} left out",
        f"tilt              {tilt(found)}",
        f"largest residual  {found.largest_residual_px:.3f} px",
    ]
    return "\n".join([*lines, f"distortion        {distortion(found)}", f"pixels            {pixel_shape(found)}"])


def pixel_shape(found: Calibration) -> str:
    """Say whether pixels are square, with the 95 % interval of their height over their width."""
    from micro.statistics.sampling import NORMAL_95

    shape, unsure = found.pixel_height_over_width, found.pixel_height_over_width_standard_uncertainty
    if shape is None or unsure is None:
        return "taken for square: give a second picture, turned by 90°, with --turned"
    low, high = shape - NORMAL_95 * unsure, shape + NORMAL_95 * unsure
    told = f"{shape:.5f} times as high as wide (95 % interval {low:.5f} to {high:.5f})"
    square = "square within that" if low <= 1 <= high else "not square; measures are corrected for it"
    return f"{told}: {square}"


def tilt(found: Calibration) -> str:
    """Angle of the lines, with its 95 % interval, to the same place."""
    from micro.statistics.sampling import NORMAL_95

    half = NORMAL_95 * (found.tilt_deg_standard_uncertainty or 0.0)
    decimals = min(max(2, -math.floor(math.log10(half))), 6) if half > 0 else 2
    low, high = found.tilt_deg - half, found.tilt_deg + half
    return f"{found.tilt_deg:.{decimals}f}° ({low:.{decimals}f}° to {high:.{decimals}f}°)"


def distortion(found: Calibration) -> str:
    """Say whether the magnification drifts across the picture, with the 95 % interval of the largest drift."""
    from micro.scale.pitch import SIGNIFICANCE
    from micro.statistics.sampling import NORMAL_95

    drift, uncertainty = found.distortion_pct, found.distortion_pct_standard_uncertainty
    if drift is None or uncertainty is None or found.distortion_p_value is None:
        return "unknown: fewer than eight lines"
    half = NORMAL_95 * uncertainty
    largest = f"{drift:.2g} % ({drift - half:.2g} to {drift + half:.2g} %)"
    if found.distortion_p_value < SIGNIFICANCE:
        return f"the magnification drifts by up to {largest}; the interval holds it"
    return f"none beyond scatter (largest drift {largest})"
