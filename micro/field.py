"""One picture from its grey levels to all that is measured on it: the only place that knows the order of the stages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from micro.errors import InputError
from micro.image.micrograph import Micrograph, mask_of
from micro.image.pixels import DecodedPicture, UnusableError, srgb_to_light, to_grey
from micro.image.reading import read
from micro.issues import Issue, flag_text, message_text, ordered
from micro.measures.field_checks import check_field, directed_blur
from micro.measures.orientation import RollingDirection
from micro.measures.particles import measure_axes, measure_particles
from micro.measures.pixel_shape import squared_field, squared_particles
from micro.measures.totals import all_totals, grey_columns, measure_field, rolling_direction
from micro.measures.within_field import Carbides
from micro.review.acts import FieldActs, Reviewed, review_issues
from micro.review.apply import WHOLE, apply_reviews
from micro.scale.scale import Scale
from micro.segmentation.marks import burnt_in
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.stages import segment
from micro.segmentation.tone import open_to_curve
from micro.segmentation.troubles import share_of_picture
from micro.tables.columns import FIELDS, PARTICLES
from micro.tables.units import curves_to_um, to_um
from micro.taught.outlines import TaughtOutlines, with_taught_outlines

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class FieldResult:
    """Everything that was measured on one field.

    Parameters
    ----------
    micrograph
        The picture: of a part of a mosaic its core.
    scale
        Size of a pixel in use.
    segmentation
        Its carbides, in pixels.
    particles
        One row a carbide, the columns PARTICLES of `micro.tables.columns`; `specimen` and `field` empty.
    field
        The columns FIELDS: the row "all", then one row a carbide class.
    profiles
        Curves for figures: curve, carbide_class, x, x_unit, y, y_unit; which, see `micro.measures.totals`.
    direction
        What the carbides say of the rolling direction; None where it was given.
    reviewed
        What became of the acts of a person; None where there was no review of the field.
    """

    micrograph: Micrograph
    scale: Scale
    segmentation: Segmentation
    particles: pd.DataFrame
    field: pd.DataFrame
    profiles: pd.DataFrame
    direction: RollingDirection | None
    reviewed: Reviewed | None = None

    @property
    def labels(self) -> NDArray[np.int32]:
        """(rows, columns) number of the carbide at each pixel, 0 in the matrix."""
        return self.segmentation.labels

    @property
    def issues(self) -> tuple[Issue, ...]:
        """All that a reader must know before trusting the field: of the picture, of the direction, of its carbides."""
        return _issues(self.micrograph, self.direction, self.segmentation, self.reviewed)

    @property
    def area_fraction(self) -> tuple[float, float, float]:
        """Area fraction of all carbides with the ends of its 95 % interval by segmentation, 0 to 1."""
        low, value, high = (
            float(self.field[f"area_fraction{end}"].iloc[0]) for end in ("_low", "", "_high")
        )  # fmt: skip
        return value, low, high

    def __repr__(self) -> str:
        value, low, high = (f"{100 * v:.2f}" for v in self.area_fraction)
        unknown = f"area fraction unknown, at most {high} %"
        amount = unknown if value == "nan" else f"area fraction {value} % ({low} to {high} %)"
        return f"<{self.micrograph.name}: {len(self.particles)} carbides, {amount}, {len(self.issues)} issues>"

    def _repr_html_(self) -> str:
        from html import escape

        shown = self.field[["carbide_class", "particles", "area_fraction", "area_fraction_low", "area_fraction_high",
                            "mean_ecd_um", "anisotropy_index"]]  # fmt: skip
        said = "".join(f"<li>{escape(one.text)}</li>" for one in self.issues)
        return f"<p>{escape(repr(self)[1:-1])}</p>{shown.to_html(index=False)}<ul>{said}</ul>"

    def plot(self, axes: Axes | None = None) -> Axes:
        """Draw the outlines on the micrograph; return the axes."""
        from micro.pictures.outlines import draw_outlines

        axes = _axes(axes)
        axes.imshow(draw_outlines(self.micrograph, self.segmentation))
        axes.set_axis_off()
        return axes

    def plot_sizes(self, axes: Axes | None = None) -> Axes:
        """Draw the share of the carbides, and of their area, in carbides smaller than a diameter; return the axes."""
        axes = _axes(axes)
        own = self.particles[self.particles["weight"] > 0].sort_values("ecd_um")
        for words, weight in (("number", own["weight"]), ("area", own["weight"] * own["area_um2"])):
            axes.step(own["ecd_um"], 100 * weight.cumsum() / weight.sum(), where="post", label=f"by {words}")
        axes.set(xscale="log", ylim=(0, 100), xlabel="equivalent circle diameter, µm", ylabel="% in smaller ones")
        axes.legend()
        return axes

    def plot_banding(self, axes: Axes | None = None) -> Axes:
        """Draw area fraction across rolling beside the same carbides placed at random; return the axes."""
        from micro.figures.specimens import curves_of_field, draw_band_profile

        axes = _axes(axes)
        draw_band_profile(axes, curves_of_field(self.profiles))
        axes.set_ylabel("across rolling, µm")
        axes.invert_yaxis()
        return axes


def measure(
    image: ArrayLike | str | Path | Micrograph,
    um_per_px: float | None = None,
    rolling_deg: float | None = None,
    carbides: str = "auto",
    settings: SegmentationSettings | None = None,
    taught: TaughtOutlines | None = None,
    review: Sequence[FieldActs] = (),
) -> FieldResult:
    """Measure one field.

    Parameters
    ----------
    image
        (rows, columns) grey levels of any real type, a file, or a `Micrograph`.
    um_per_px
        Size of a pixel, µm; None: as the file or the micrograph says.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen, 0 to 180; None: as the micrograph says, or
        estimated from the carbides.
    carbides
        "bright", "dark" (against the matrix) or "auto".
    settings
        How the field is segmented, in place of `carbides` alone.
    taught
        Outlines taught by a point count, which take the place of the program's own.
    review
        What files of a review say of the field, as of `micro.review.acts.read_review`: applied to the outlines.

    Returns
    -------
    FieldResult

    Raises
    ------
    InputError
        If a file is missing, damaged or no micrograph, or if nothing states the size of a pixel.
    ValueError
        If an array is no picture of one channel, is not finite or negative; if a size, angle or setting is out of
        its range.

    Examples
    --------
    >>> import numpy as np
    >>> from micro.phantom.scenes import Population, Scene, make_field
    >>> grey, truth = make_field(Scene((Population(0.08, 14.0),)), (400, 600), np.random.default_rng(7))
    >>> result = measure(grey, um_per_px=0.2, rolling_deg=0, carbides="bright")
    >>> value, low, high = result.area_fraction
    >>> bool(low < truth.area_fraction[0] < high)
    True
    """
    settings = _settings(carbides, settings)
    micrograph = _with(_micrograph(image), um_per_px, rolling_deg)
    scale_of(micrograph)
    return measure_segmented(micrograph, segmented(micrograph, settings), settings, taught, review)


def measure_segmented(
    micrograph: Micrograph,
    segmentation: Segmentation,
    settings: SegmentationSettings,
    taught: TaughtOutlines | None = None,
    review: Sequence[FieldActs] = (),
) -> FieldResult:
    """Measure one field that `segmented` has segmented; parameters as of `measure`."""
    scale = scale_of(micrograph)
    if taught is not None:
        segmentation = with_taught_outlines(segmentation, taught, not_analysed(micrograph))
    found = segmentation
    segmentation, reviewed = _by_hand(micrograph, segmentation, review)
    blur = directed_blur(segmentation)
    particles, rolling, direction = _carbides(micrograph, segmentation)
    segmentation = check_field(segmentation, micrograph.grey, particles, scale, micrograph.stated_scale, blur)
    part = micrograph.sub_field
    if part is not None:
        segmentation = segmentation.cropped(part.core_in_frame)
    measures = measure_field(segmentation, particles, rolling)
    segmentation = segmentation.with_issues(ordered((*segmentation.issues, *measures.issues)))
    _refuse_impossible(measures.table, micrograph)
    particles, table = _with_square_pixels(particles, measures.table, rolling, scale)
    table = _with_both_readings(table, segmentation)
    table = table.assign(**grey_columns(segmentation, list(table["carbide_class"]), settings.threshold_grey))
    if reviewed is not None:
        reviewed = _with_state_before(micrograph, found, reviewed, rolling)
    issues = _issues(micrograph, direction, segmentation, reviewed)
    known = {"flags": flag_text(issues), "message": message_text(issues)}
    top, left = micrograph.cut_px if part is None else (part.top, part.left)
    if top or left:
        particles = particles.assign(x_px=particles["x_px"] + left, y_px=particles["y_px"] + top)
    return FieldResult(
        micrograph.core,
        scale,
        segmentation,
        to_um(particles, PARTICLES, scale.um_per_px),
        to_um(table.assign(**known), FIELDS, scale.um_per_px),
        curves_to_um(measures.profiles, scale.um_per_px),
        direction,
        reviewed,
    )


def _settings(carbides: str, settings: SegmentationSettings | None) -> SegmentationSettings:
    if settings is None:
        return SegmentationSettings(carbides)
    if carbides not in ("auto", settings.carbides):
        raise ValueError(
            f"carbides={carbides!r} and settings.carbides={settings.carbides!r} differ; give one of the two"
        )
    return settings


def _with_square_pixels(
    particles: pd.DataFrame, table: pd.DataFrame, rolling_deg: float | None, scale: Scale
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Carbides and field as pixels of the same area that are square would show them, where their shape was measured."""
    if scale.shape_standard_uncertainty is None:
        return particles, table
    shape = scale.pixel_height_over_width
    mended = squared_particles(particles, rolling_deg or 0.0, shape)
    table = squared_field(table, particles, mended, shape)
    return mended, table.assign(
        pixel_height_over_width=shape, pixel_height_over_width_standard_uncertainty=scale.shape_standard_uncertainty
    )


def _by_hand(
    micrograph: Micrograph, found: Segmentation, review: Sequence[FieldActs]
) -> tuple[Segmentation, Reviewed | None]:
    """Outlines with a person's acts, and what became of these; None where nobody reviewed the field."""
    if not review:
        return found, None
    core = WHOLE if micrograph.sub_field is None else micrograph.sub_field.core_in_frame
    return apply_reviews(found, review, micrograph.sha256, core)


def _with_state_before(
    micrograph: Micrograph, found: Segmentation, reviewed: Reviewed, rolling_deg: float | None
) -> Reviewed:
    """Return it with area fraction and analysed area as the program found them."""
    particles = measure_particles(found, micrograph.grey, None, micrograph.sub_field)
    part = micrograph.sub_field
    core = found if part is None else found.cropped(part.core_in_frame)
    total = all_totals(core, particles)["all"]
    x, y = particles[["x_px", "y_px"]].to_numpy(float).T
    within = Carbides(x, y, core.excluded, rolling_deg).relative_uncertainty(particles["area_px2"].to_numpy(float))
    value, low, high, sampling = (
        float(v) if np.isfinite(v) else None for v in (total.area_fraction, total.low, total.high, within)
    )
    return replace(
        reviewed,
        area_fraction_before=value,
        area_fraction_low_before=low,
        area_fraction_high_before=high,
        analysed_area_um2_before=core.analysed_px * scale_of(micrograph).um_per_px ** 2,
        area_fraction_within_before=sampling,
    )


def scale_of(micrograph: Micrograph) -> Scale:
    """Return the scale of a micrograph; InputError where nothing states it."""
    if micrograph.scale is None:
        where = micrograph.path or "the picture"
        raise InputError(where, "has no scale", "give --um-per-px or --calibration, or name one in the study file")
    return micrograph.scale


def segmented(micrograph: Micrograph, settings: SegmentationSettings) -> Segmentation:
    """Segment a micrograph without what a person leaves out of it; its interval holds what a stated curve would do."""
    left_out = _left_out(micrograph) if micrograph.left_out else None
    found = segment(micrograph.grey, settings, micrograph.grey_max, left_out)
    if not any(one.kind == "tone_curve_stated" for one in micrograph.issues):
        return found
    return open_to_curve(found, partial(srgb_to_light, full_scale=micrograph.grey_max))


def not_analysed(micrograph: Micrograph) -> NDArray[np.bool_]:
    """(rows, columns) True in what no outline may lie on, whoever draws it: burnt-in marks, and what is left out."""
    return burnt_in(micrograph.grey, micrograph.grey_max) | _left_out(micrograph)


def _left_out(micrograph: Micrograph) -> NDArray[np.bool_]:
    """(rows, columns) True in what a person leaves out."""
    rows, columns = micrograph.grey.shape
    return mask_of(micrograph.left_out, (rows, columns))


def _refuse_impossible(table: pd.DataFrame, micrograph: Micrograph) -> None:
    """Refuse a field whose carbides would cover less than nothing or more than all of it."""
    fraction = table["area_fraction"].to_numpy(float)
    if (fraction < 0).any() or (fraction > 1).any():
        worst = float(fraction[np.nanargmax(np.abs(fraction - 0.5))])
        raise InputError(
            micrograph.path or micrograph.name,
            f"no matrix level was found that makes sense: carbides would cover {100 * worst:.3g} % of the field",
            "leave out what is no micrograph (leave_out, crop_px), or pin the grey levels",
        )


def _with_both_readings(table: pd.DataFrame, segmentation: Segmentation) -> pd.DataFrame:
    """Let the interval reach the fraction of the whole picture too, where the other polarity was left out of it.

    Whether that is part of the structure or dirt on it, only a person can tell.
    """
    share, own = share_of_picture(segmentation.issues), float(table["area_fraction"].iloc[0])
    if share is None or not own > share:
        return table
    return table.assign(area_fraction_low=table["area_fraction_low"] * (share / own))


def _micrograph(image: ArrayLike | str | Path | Micrograph) -> Micrograph:
    """Return a micrograph of whatever a picture may come as."""
    if isinstance(image, Micrograph):
        return image
    if isinstance(image, str | Path):
        return read(image)
    values = np.asarray(image)
    if values.ndim != 2:
        raise ValueError(f"image must have rows and columns, got the shape {values.shape}; take one channel")
    try:
        grey, grey_max, issues = to_grey(DecodedPicture(values))
    except UnusableError as trouble:
        raise ValueError(f"image {trouble.problem}; {trouble.remedy}") from None
    return Micrograph(grey, grey_max, issues=tuple(issues))


def _with(micrograph: Micrograph, um_per_px: float | None, rolling_deg: float | None) -> Micrograph:
    """Return the micrograph with what the caller states in place of what it says itself."""
    if um_per_px is not None:
        given = Scale(um_per_px, None, "given by the user")
        stated = micrograph.stated_scale or micrograph.scale
        micrograph = replace(micrograph, scale=given, stated_scale=stated)
    return micrograph if rolling_deg is None else replace(micrograph, rolling_deg=rolling_deg)


def _carbides(
    micrograph: Micrograph, segmentation: Segmentation
) -> tuple[pd.DataFrame, float | None, RollingDirection | None]:
    """Table of the carbides in pixels, the rolling direction it refers to, and what the carbides say of it.

    Where none was given, it is estimated from carbides measured against the horizontal.
    """
    rolling, part, estimate = micrograph.rolling_deg, micrograph.sub_field, None
    if rolling is None:
        estimate = rolling_direction(measure_axes(segmentation, part))
        rolling = estimate.angle_deg if estimate.found else None
    return measure_particles(segmentation, micrograph.grey, rolling, part), rolling, estimate


def find_direction(
    micrograph: Micrograph, segmentation: Segmentation, review: Sequence[FieldActs] = ()
) -> RollingDirection:
    """Return what the carbides of one segmented field say of the rolling direction; nothing else is measured."""
    segmentation, _ = _by_hand(micrograph, segmentation, review)
    return rolling_direction(measure_axes(segmentation, micrograph.sub_field))


def _issues(
    micrograph: Micrograph,
    direction: RollingDirection | None,
    segmentation: Segmentation,
    reviewed: Reviewed | None = None,
) -> tuple[Issue, ...]:
    of_direction = () if direction is None else (direction.issue,)
    by_hand = () if reviewed is None else review_issues(reviewed)
    return ordered((*micrograph.issues, *of_direction, *segmentation.issues, *by_hand))


def _axes(axes: Axes | None) -> Axes:
    if axes is not None:
        return axes
    from matplotlib import pyplot as plt

    return plt.subplots()[1]
