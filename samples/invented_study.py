"""The invented study: `python samples/invented_study.py FOLDER` writes its pictures and truths again."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.phantom.picture import Damage, Optics, Truth, field_rows, write_tiff
from micro.phantom.scenes import Population, Scene, make_field

UM_PER_PX = 0.1973
SHAPE = (768, 1024)
FIELDS = 8
SEED = 20261125

DAMAGE = Damage(scratches=1.0, pits=3.0, dust=0.2, stains=0.1)


def _px(um: float) -> float:
    return um / UM_PER_PX


BARS = {
    "A": Scene(
        populations=(
            Population(
                0.085, _px(6.5), 0.45, aspect=2.3, aspect_spread=0.35, misalignment_deg=12,
                roughness=0.12, facets=5, banding=1.3,
            ),
            Population(0.034, _px(1.4), 0.35, aspect=1.25, roughness=0.08, banding=0.3),
        ),
        class_names=("M7C3",),
        rolling_deg=0.0,
        band_spacing_px=_px(75),
        field_scatter=0.10,
        optics=Optics(96, (203,), blur_px=1.0, noise=3.5, shading=0.18, texture=7.0, texture_px=1.3),
        damage=DAMAGE,
    ),
    "B": Scene(
        populations=(Population(0.05, _px(1.55), 0.28, aspect=1.15, aspect_spread=0.1, roughness=0.06),),
        class_names=("MC",),
        rolling_deg=0.0,
        field_scatter=0.03,
        optics=Optics(102, (207,), blur_px=1.0, noise=3.5, shading=0.15, texture=6.0, texture_px=1.3),
        damage=DAMAGE,
    ),
    "C": Scene(
        populations=(
            Population(
                0.031, _px(3.6), 0.45, aspect=1.8, aspect_spread=0.25, misalignment_deg=16,
                roughness=0.1, facets=6, banding=0.5, stringers=0.3,
            ),
            Population(0.010, _px(1.5), 0.3, aspect=1.2, roughness=0.06, banding=0.3, carbide_class=1),
        ),
        class_names=("M7C3", "MC"),
        rolling_deg=17.0,
        band_spacing_px=_px(60),
        stringer_px=_px(60),
        field_scatter=0.09,
        optics=Optics(92, (157, 226), blur_px=1.05, noise=3.5, shading=0.20, texture=6.0, texture_px=1.3),
        damage=DAMAGE,
    ),
}  # fmt: skip


def sample_field(bar: str, number: int) -> tuple[NDArray[np.float32], Truth]:
    """Grey picture (rows, columns) of field `number`, from 1, of a bar, and its truth."""
    return make_field(BARS[bar], SHAPE, np.random.default_rng([SEED, ord(bar), number]))


COUPONS_PER_DIRECTION = 6
TOUGHNESS_J = {"A": (29.0, 12.5), "B": (72.0, 69.0), "C": (54.0, 35.0)}
"""Invented mean along and across the rolling direction."""
HARDNESS_HRC = {"A": 60.5, "B": 60.8, "C": 60.2}
TEMPER_C = {"A": 525, "B": 540, "C": 525}
SCATTER = 0.11


def coupons() -> list[dict[str, str | float]]:
    """Invented toughness coupons, one row each."""
    rng = np.random.default_rng([SEED, 5])
    rows: list[dict[str, str | float]] = []
    for bar, means in TOUGHNESS_J.items():
        for direction, mean in zip(("longitudinal", "transverse"), means, strict=True):
            for number in range(1, COUPONS_PER_DIRECTION + 1):
                rows.append(
                    {
                        "specimen": bar,
                        "coupon": f"{bar}{direction[0].upper()}{number}",
                        "direction": direction,
                        "toughness_J": round(mean * float(np.exp(rng.normal(0, SCATTER))), 1),
                        "hardness_HRC": round(HARDNESS_HRC[bar] + float(rng.normal(0, 0.3)), 1),
                        "temper_C": TEMPER_C[bar],
                    }
                )
    return rows


def write_samples(folder: Path) -> None:
    """Write pictures, truths and coupons below `folder`."""
    fields = []
    for bar, scene in BARS.items():
        pictures = folder / f"bar-{bar.lower()}"
        pictures.mkdir(parents=True, exist_ok=True)
        for number in range(1, FIELDS + 1):
            grey, truth = sample_field(bar, number)
            name = f"{bar.lower()}{number}"
            write_tiff(pictures / f"{name}.tif", grey, UM_PER_PX)
            rows = field_rows(truth, scene.class_names, UM_PER_PX)
            fields += [{"specimen": bar, "field": name, "um_per_px": UM_PER_PX, **row} for row in rows]
    table = pd.DataFrame(fields)
    results.write_table(folder / "truth_fields.csv", table)
    results.write_table(folder / "truth_specimens.csv", specimen_means(table))
    pd.DataFrame(coupons()).to_csv(folder / "coupons.csv", index=False)


def specimen_means(fields: pd.DataFrame) -> pd.DataFrame:
    """One row a specimen and class: means over fields, means over carbides, and the area fraction of the whole bar."""
    rows = []
    for (bar, name), own in fields.groupby(["specimen", "carbide_class"], sort=False):
        rows.append(
            {
                "specimen": bar,
                "carbide_class": name,
                "fields": len(own),
                "area_fraction_of_bar": _wanted(BARS[str(bar)], str(name)),
                "area_fraction": own["area_fraction"].mean(),
                "number_per_mm2": own["number_per_mm2"].mean(),
                "mean_ecd_um": np.average(own["mean_ecd_um"], weights=own["particles"]),
                "mean_aspect_ratio": np.average(own["mean_aspect_ratio"], weights=own["particles"]),
                "largest_ecd_um": own["largest_ecd_um"].max(),
            }
        )
    return pd.DataFrame(rows)


def _wanted(scene: Scene, name: str) -> float:
    own = [p for p in scene.populations if name in ("all", scene.class_names[p.carbide_class])]
    return sum(p.area_fraction for p in own)


if __name__ == "__main__":
    write_samples(Path(sys.argv[1] if len(sys.argv) > 1 else "samples"))
