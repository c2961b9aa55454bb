"""The part of the report on sizes beyond the plane of polish: lognormal fit, spheres in space, largest to expect."""

from __future__ import annotations

import math

import numpy as np

from micro.comparison import MeasuredSpecimen
from micro.report.page import PageSection, PageTable
from micro.report.wording import with_ends
from micro.specimens import fit_lognormal, gumbel_by_moments, gumbel_p_value, log_limits, lognormal_ci95, unfold
from micro.specimens.summary import ClassData, class_data

AREAS_MM2 = (1.0, 10.0, 100.0)
CLASSES = 12
FEWEST_CARBIDES = 100


def size_section(specimens: tuple[MeasuredSpecimen, ...]) -> PageSection | None:
    """Tables of all specimens with carbides enough; None where there is none."""
    data = {s.name: class_data(s.particles, s.fields, "all") for s in specimens}
    data = {name: own for name, own in data.items() if len(own.carbides) >= FEWEST_CARBIDES}
    if not data:
        return None
    text = (
        "A polish cuts most carbides off their middle, so sections are smaller than the carbides in space. The spheres "
        "below would show the sections that were measured (Saltykov's classes, diameter ratio 10 to the power 0.1; "
        "Underwood 1970, from memory). That is meant for round carbides.",
        "The largest carbide to expect on a polished area follows from the largest of each field (Gumbel law by "
        "moments, ASTM E2283, from memory). An area far beyond the one measured is an extrapolation: its interval "
        "holds only if the law does.",
    )
    tables = [
        PageTable(
            "Sections, as a lognormal distribution",
            ("specimen", "median, µm", "spread of its logarithm", "greatest gap from lognormal, %"),
            [_section_row(name, own) for name, own in data.items()],
        ),
        PageTable(
            "Spheres in space",
            ("specimen", "mean diameter, µm", "spread of the diameters, µm", "number N_V, 1/mm³", "to know"),
            [_sphere_row(name, own) for name, own in data.items()],
        ),
        PageTable(
            "Largest carbide to expect, µm",
            ("specimen", *(f"on {area:g} mm²" for area in AREAS_MM2), "area measured, mm²", "fit of the Gumbel law, p"),
            [_largest_row(name, own) for name, own in data.items()],
        ),
    ]  # fmt: skip
    return PageSection("sizes-in-space", "Sizes in space, and the largest carbide", text, tables=tables)


def _section_row(name: str, data: ClassData) -> tuple[str, ...]:
    size, weight = data.carbide("ecd_um"), data.weight
    fitted = fit_lognormal(size, weight)
    median_ends, sigma_ends = lognormal_ci95(size, weight, data.field)
    return (
        name,
        with_ends(fitted.median, *median_ends),
        with_ends(fitted.sigma, *sigma_ends),
        f"{100 * fitted.greatest_gap:.2g}",
    )


def _sphere_row(name: str, data: ClassData) -> tuple[str, ...]:
    size, weight = data.carbide("ecd_um"), data.weight
    limits = log_limits(float(size[weight > 0].max()), CLASSES)
    counts = np.array([
        np.histogram(size[own], limits, weights=weight[own])[0]
        for own in (data.field == number for number in range(len(data.fields)))
    ])  # fmt: skip
    aspect = float(np.average(data.carbide("aspect_ratio"), weights=weight))
    spheres = unfold(counts, data.column("analysed_area_um2"), limits, mean_aspect_ratio=aspect)
    return (
        name,
        with_ends(spheres.mean_um, *spheres.mean_ci95),
        with_ends(spheres.std_um, *spheres.std_ci95),
        with_ends(float(spheres.number_per_mm3.sum()), *spheres.total_ci95),
        spheres.warning,
    )


def _largest_row(name: str, data: ClassData) -> tuple[str, ...]:
    size = data.carbide("ecd_um")
    largest = np.zeros(len(data.fields))
    np.maximum.at(largest, data.field, size)
    area_mm2 = data.column("analysed_area_um2") / 1e6
    gumbel = gumbel_by_moments(largest)
    cells = []
    for area in AREAS_MM2:
        expected = gumbel.expected(area / area_mm2.mean())
        low, high = expected.interval()
        cells.append(with_ends(expected.value, low, high))
    p_value = gumbel_p_value(largest)
    return (
        name,
        *cells,
        f"{area_mm2.sum():.3g}",
        f"{p_value:.2g}" if math.isfinite(p_value) else "too few fields to tell",
    )
