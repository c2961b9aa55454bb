"""A specimen made of measured fields, for scripts and notebooks: its summary, and its comparison with others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from micro.comparison import pairs
from micro.comparison.measured import MeasuredSpecimen
from micro.field import FieldResult
from micro.scale.scale import shared_uncertainty
from micro.specimens.summary import summarise


@dataclass(frozen=True, eq=False)
class Specimen:
    """Fields that stand for one bar.

    Parameters
    ----------
    name
        As it will be printed.
    results
        One of `micro.measure` a field, one or more.
    plane
        longitudinal, transverse or planar; empty where unknown.

    Raises
    ------
    ValueError
        If there is no field.

    Examples
    --------
    >>> import numpy as np
    >>> from micro.field import measure
    >>> from micro.phantom.scenes import Population, Scene, make_field
    >>> scene = Scene((Population(0.08, 10.0),))
    >>> draw = lambda seed: make_field(scene, (200, 300), np.random.default_rng(seed))[0]
    >>> bar = Specimen("A", [measure(draw(seed), um_per_px=0.2, rolling_deg=0) for seed in (1, 2, 3)])
    >>> row = bar.summary.set_index(["carbide_class", "quantity"]).loc[("all", "area_fraction")]
    >>> bool(row["ci95_low"] < 0.08 < row["ci95_high"])
    True
    """

    name: str
    results: Sequence[FieldResult]
    plane: str = ""

    def __post_init__(self) -> None:
        if not len(self.results):
            raise ValueError(f"specimen {self.name!r} must have one field or more, got none")

    @cached_property
    def measured(self) -> MeasuredSpecimen:
        """Tables of all its fields, each with a name of its own."""
        return MeasuredSpecimen(
            self.name,
            self._joined([result.field for result in self.results]),
            self._joined([result.particles for result in self.results]),
            self.plane,
            shared_uncertainty([result.scale.relative_uncertainty for result in self.results]),
        )

    @cached_property
    def summary(self) -> pd.DataFrame:
        """Columns SPECIMENS of `micro.tables.columns`: every class and quantity with its interval."""
        m = self.measured
        return summarise(m.particles, m.fields, m.scale_relative_uncertainty)

    def _joined(self, tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
        names = [result.micrograph.name for result in self.results]
        shared = Counter(names)
        names = [name if shared[name] == 1 else f"{name}-{k}" for k, name in enumerate(names, 1)]
        named = [t.assign(specimen=self.name, field=name) for t, name in zip(tables, names, strict=True)]
        return pd.concat(named, ignore_index=True)


def compare(specimens: Sequence[Specimen]) -> pd.DataFrame:
    """Compare every pair of specimens; the columns COMPARISON of `micro.tables.columns`.

    Raises
    ------
    ValueError
        If two specimens have the same name.
    """
    names = [specimen.name for specimen in specimens]
    if len(set(names)) < len(names):
        raise ValueError(f"specimens must have different names, got {', '.join(names)}")
    return pairs.compare([specimen.measured for specimen in specimens])
