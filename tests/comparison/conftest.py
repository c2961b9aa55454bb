"""Invented specimens as tables, for the comparison alone."""

import numpy as np
import pandas as pd
import pytest

from micro.comparison.measured import MeasuredSpecimen
from micro.tables import columns

FRAME_UM2 = 40_000.0


def blank(spec, **cells):
    return {c.name: "" if c.dtype == "str" else np.nan for c in spec} | cells


def draw_fields(name, rng, fields=8, area_fraction=0.1, scatter=0.1, um_per_px=0.1):
    """Field rows whose quantities scatter on their own, normal for fractions and lognormal for sizes and counts."""

    def positive(middle):
        return middle * np.exp(scatter * rng.standard_normal())

    rows = [
        blank(
            columns.FIELDS,
            specimen=name,
            field=f"f{number}",
            um_per_px=um_per_px,
            analysed_area_um2=FRAME_UM2,
            carbide_class="all",
            area_fraction=area_fraction * (1 + scatter * rng.standard_normal()),
            particles=100,
            number_per_mm2=positive(5000.0),
            mean_ecd_um=positive(2.0),
            intercepts_along_per_mm=positive(40.0),
            intercepts_across_per_mm=positive(45.0),
            band_contrast=positive(0.3),
            band_contrast_at_random=0.2,
        )
        for number in range(fields)
    ]
    return pd.DataFrame(rows)


def draw_carbides(name, rng, fields=8, a_field=60, middle_um=2.0, log_std=0.4, carbide_class="MC"):
    """Carbide rows with lognormal diameters, none cut by the edge."""
    rows = []
    for number in range(fields):
        diameter = middle_um * np.exp(log_std * rng.standard_normal(rng.poisson(a_field)))
        rows += [
            blank(
                columns.PARTICLES,
                specimen=name,
                field=f"f{number}",
                particle=i + 1,
                carbide_class=carbide_class,
                ecd_um=d,
                area_um2=np.pi * d * d / 4,
                aspect_ratio=1 + rng.gamma(4, 0.1),
                length_along_um=d,
                width_across_um=d,
                touches_edge=0,
                weight=1.0,
            )
            for i, d in enumerate(diameter)
        ]
    return pd.DataFrame(rows) if rows else columns.empty(columns.PARTICLES)


@pytest.fixture
def specimen():
    """Make a specimen: specimen(name, rng, plane=..., **what is drawn); without `carbides` one a field."""

    def make(name, rng, *, plane="longitudinal", scale=0.0, carbides=None, **drawn):
        if carbides is not None:
            particles = draw_carbides(name, rng, fields=drawn.get("fields", 8), **carbides)
            return MeasuredSpecimen(name, draw_fields(name, rng, **drawn), particles, plane, scale)
        fields = draw_fields(name, rng, **drawn)
        # Twelve alike in each field: enough for a verdict, and their mean and the largest scatter as the fields do.
        every = fields.loc[fields.index.repeat(12)].reset_index()
        middle = every["mean_ecd_um"]
        particles = columns.empty(columns.PARTICLES).reindex(range(len(every)))
        particles = particles.assign(
            specimen=name, field=every["field"], carbide_class="MC", ecd_um=middle, area_um2=np.pi * middle**2 / 4,
            weight=1.0, flags="",
        )  # fmt: skip
        return MeasuredSpecimen(name, fields, particles, plane, scale)

    return make
