"""What to photograph next: fields for a wanted accuracy, what limits it, how large a field must be."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from micro.measures.within_field import WITHIN
from micro.specimens.class_data import UNRESOLVED, area_relative_uncertainty, class_data
from micro.statistics.sampling import student_t

# Fewer fields tell their own scatter badly: what each shows within itself is then looked at too (chosen).
TOLD_BY_FIELDS = 4
# The uncertainty within a field is widened for its degrees of freedom, and where structure may be long; by so much in
# the median field of independent carbides (400 simulated: 1.24; in small clusters 1.09), which plans too many fields
# rather than too few. tests/specimens/test_planning.py holds what it plans.
WIDENED = 1.24
BANDS_IN_A_FIELD = 3
MOST_FIELDS = 10_000
# Spread of the logarithm of diameters, where nothing is measured yet (chosen; usual for carbides, no source).
USUAL_SPREAD = 0.4


@dataclass(frozen=True)
class Needed:
    """Fields for a wanted accuracy of the area fraction, and the standard uncertainties it rests on.

    Parameters
    ----------
    fields
        Needed in all; None where no number of fields gives it.
    of_one_field
        Relative standard uncertainty of one field by sampling.
    shared
        The same of what all fields share: segmentation and scale.
    """

    fields: int | None
    of_one_field: float
    shared: float


def fields_for(of_one_field: float, shared: float, accuracy_pct: float) -> Needed:
    """Smallest number of fields whose 95 % interval is as narrow as wanted: t·√(u²/n + shared²), Welch-Satterthwaite.

    Parameters
    ----------
    of_one_field, shared
        As of `Needed`.
    accuracy_pct
        %RA, half width of the interval over the value.

    Examples
    --------
    >>> fields_for(0.2, 0.0, 10.0).fields
    18
    """
    for fields in range(2, MOST_FIELDS + 1):
        if relative_half_width(of_one_field, shared, fields) <= accuracy_pct / 100:
            return Needed(fields, of_one_field, shared)
    return Needed(None, of_one_field, shared)


def relative_half_width(of_one_field: float, shared: float, fields: int) -> float:
    """Half width over the value of the 95 % interval that so many fields give in the mean."""
    sampling = of_one_field / math.sqrt(fields)
    together = math.hypot(sampling, shared)
    if sampling == 0:
        return student_t(math.inf) * together
    return student_t((fields - 1) * (together / sampling) ** 4) * together


def expected_of_one_field(fraction: float, mean_ecd_um: float, area_um2: float) -> float:
    """Relative standard uncertainty of a field's area fraction for carbides placed independently, Σa²/A² (derived).

    Of lognormal diameters of mean d the area-weighted mean area is π/4·d²·exp(5·s²), s the usual spread.

    Examples
    --------
    >>> round(expected_of_one_field(0.1, 2.5, 204.8 * 153.6), 4)
    0.0589
    """
    weighted_area = math.pi / 4 * mean_ecd_um**2 * math.exp(5 * USUAL_SPREAD**2)
    return math.sqrt(weighted_area / (fraction * area_um2))


@dataclass(frozen=True)
class Measured:
    """What the fields of one specimen tell for a plan; lengths µm, NaN where unknown.

    Parameters
    ----------
    of_one_field, within
        Relative standard uncertainty of one field by sampling: as planned with, and as the fields show within
        themselves, NaN where their structure is too long.
    shared
        Relative standard uncertainty that all fields share.
    resolved, small, unresolved_share
        Smallest resolved diameter; diameter below which a tenth of the carbide area lies; share of the area
        below the resolved diameter.
    band_spacing
        Of the banded fields.
    reached
        Half width over the value of the interval that these fields give.
    """

    fraction: float
    fields: int
    of_one_field: float
    within: float
    shared: float
    resolved: float
    small: float
    unresolved_share: float
    band_spacing: float
    reached: float

    @property
    def places_differ(self) -> bool:
        """Whether fields scatter by more than each shows within itself: then larger ones are no more of the bar."""
        return self.within < self.of_one_field / 2

    def reaches(self, accuracy_pct: float) -> bool:
        """Whether two fields or more give that %RA already."""
        return self.fields > 1 and 100 * self.reached <= accuracy_pct


def measured_so_far(particles: pd.DataFrame, fields: pd.DataFrame, specimens: pd.DataFrame) -> Measured:
    """Take from the tables of one specimen what a plan rests on; the scale does not enter an area fraction."""
    data = class_data(particles, fields, "all")
    of_all = specimens[specimens["carbide_class"] == "all"].drop_duplicates("quantity").set_index("quantity")
    mean, std = of_all["mean"].astype(float), of_all["std"].astype(float)
    fraction = float(mean.get("area_fraction", math.nan))
    within = float(data.fields[WITHIN["area_fraction"]].mean(skipna=False)) / WIDENED
    between = float(std.get("area_fraction", math.nan)) / fraction if fraction > 0 else math.nan
    known = [between] if len(data.fields) >= TOLD_BY_FIELDS else [u for u in (between, within) if math.isfinite(u)]
    shared = area_relative_uncertainty(data)
    return Measured(
        fraction=fraction,
        fields=len(data.fields),
        of_one_field=max(known, default=math.nan),
        within=within,
        shared=shared if math.isfinite(shared) else 0.0,
        resolved=float(mean.get("resolved_diameter", math.nan)),
        small=float(mean.get("ecd_d10_by_area", math.nan)),
        unresolved_share=float(mean.get("unresolved_share", math.nan)),
        band_spacing=float(mean.get("band_spacing", math.nan)),
        reached=float(of_all["relative_accuracy_pct"].astype(float).get("area_fraction", math.nan)) / 100,
    )


def magnification_advice(measured: Measured, needed: Needed) -> str:
    """Say whether more fields or another magnification helps more."""
    if measured.unresolved_share > UNRESOLVED:
        share = f"{100 * measured.unresolved_share:.0f} % of the carbide area lies below the resolved diameter"
        return f"{share} of {measured.resolved:.2g} µm: a higher magnification helps more than fields"
    if needed.fields is None:
        left = 100 * student_t(math.inf) * needed.shared
        return f"segmentation alone leaves {left:.3g} %RA: a better etch or a higher magnification, not more fields"
    if 2 * measured.resolved < measured.small and not measured.places_differ:
        return (
            f"what is resolved ({measured.resolved:.2g} µm) is fine beside the carbides: half the magnification takes "
            "four times the area a field, and so about a quarter of the fields"
        )
    if needed.of_one_field / math.sqrt(max(measured.fields, 1)) > needed.shared:
        return "the scatter between fields limits it: more fields help more than another magnification"
    return "segmentation limits it as much as the fields: a better etch or a higher magnification helps more"
