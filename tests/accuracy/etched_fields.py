"""Fields as an etch makes them, read by the program; `python tests/accuracy/etched_fields.py` prints it.

52 cases, each drawn by the project's phantom and by a second generator that shares no code with it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "etch"))
import other_generator

from micro.phantom.etch import Camera, Etch, etched_field
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene

SHAPE = (384, 512)
WIDE = 0.25

# name: (settings of the other generator; the phantom takes the same words through `_translated`)
CASES: dict[str, dict] = {
    "clean 10 px": {},
    "clean 6 px": {"diameter": 6.0},
    "clean 16 px, 20 %": {"diameter": 16.0, "fraction": 0.2},
    "empty": {"fraction": 0.0},
    "empty, lath 10 %": {"fraction": 0.0, "lath": 0.1},
    "rim +30 % 1 px": {"rim": 0.3},
    "rim +30 % 2 px": {"rim": 0.3, "rim_px": 2.0},
    "rim +30 % 1 px, 6 px": {"rim": 0.3, "diameter": 6.0},
    "rim +30 % 2 px, 6 px": {"rim": 0.3, "rim_px": 2.0, "diameter": 6.0},
    "rim -30 % 1 px": {"rim": -0.3},
    "rim -30 % 2 px": {"rim": -0.3, "rim_px": 2.0},
    "rim +15 % 2 px": {"rim": 0.15, "rim_px": 2.0},
    "rim +10 % 1 px": {"rim": 0.1},
    "dome 1.5 px": {"dome_px": 1.5},
    "dome 3 px": {"dome_px": 3.0},
    "dome 3 px, 16 px": {"dome_px": 3.0, "diameter": 16.0},
    "grey spread 10 %": {"spread": 0.1},
    "grey spread 15 %": {"spread": 0.15},
    "grey spread 20 %": {"spread": 0.2},
    "grey spread 30 %": {"spread": 0.3},
    "lath 10 %": {"lath": 0.1},
    "lath 20 %": {"lath": 0.2},
    "lath 30 %": {"lath": 0.3},
    "lath 20 %, 16 px": {"lath": 0.2, "diameter": 16.0},
    "blocks 10 %": {"blocks": 0.1},
    "blocks 20 %": {"blocks": 0.2},
    "boundary -60 %": {"boundary": -0.6},
    "boundary -100 %": {"boundary": -0.7},
    "boundary +60 %": {"boundary": 0.6},
    "boundary -60 % alone": {"boundary": -0.6, "fraction": 0.0},
    "boundary -100 % alone": {"boundary": -0.7, "fraction": 0.0},
    "boundary +60 % alone": {"boundary": 0.6, "fraction": 0.0},
    "film 3 px": {"film_px": 3.0},
    "film 3 px alone": {"film_px": 3.0, "fraction": 0.0},
    "matrix pits 3 %": {"pits": 0.03},
    "matrix pits 1 %": {"pits": 0.01},
    "holes 5 %, 20 px": {"holes": 0.05, "diameter": 20.0},
    "holes 10 %, 20 px": {"holes": 0.1, "diameter": 20.0},
    "median 5 × 5": {"median_px": 5},
    "median 3 × 3": {"median_px": 3},
    "gamma 0.45": {"gamma": 0.45},
    "gamma 0.7": {"gamma": 0.7},
    "gamma 1.4": {"gamma": 1.4},
    "sharpening 0.5": {"sharpening": 0.5},
    "sharpening 1.5": {"sharpening": 1.5},
    "relief 20 %": {"relief": 0.2},
    "relief 40 %": {"relief": 0.4},
    "touching": {"touching": True, "diameter": 11.0},
    "two classes": {"second": 0.6},
    "JPEG 70, mosaic": {"jpeg": 70, "mosaic": True},
    "clipped": {"gain": 1.6},
    "mild: lath, rim, spread 10 %": {"lath": 0.1, "rim": 0.1, "spread": 0.1},
}


@dataclass(frozen=True)
class Row:
    """A reading beside the truth, all area fractions; `value` None: unknown."""

    case: str
    truth: float
    value: float | None
    low: float
    high: float

    @property
    def miss(self) -> bool:
        return not self.low - 1e-9 <= self.truth <= self.high + 1e-9

    @property
    def wide(self) -> bool:
        return self.value is not None and (self.high - self.low) / 2 > max(WIDE * self.value, 0.002)

    @property
    def error(self) -> float:
        return self.value / self.truth - 1 if self.value is not None and self.truth else float("nan")

    def __str__(self) -> str:
        value = "unknown" if self.value is None else f"{100 * self.value:6.2f}"
        words = [w for w, is_so in (("MISS", self.miss), ("wide", self.wide), ("unknown", self.value is None)) if is_so]
        return (
            f"{self.case:42s}{100 * self.truth:7.2f} {value:>8} [{100 * self.low:6.2f}, {100 * self.high:6.2f}] "
            f"{100 * self.error:+7.1f} %  {' '.join(words)}"
        )


def phantom(shape=SHAPE, seed=0, **own):
    """Picture and truth by the project's own phantom, from the words of the other generator."""
    words = {"fraction": 0.08, "diameter": 10.0, "touching": False, "second": 0.0, "holes": 0.0, "film_px": 0.0} | own
    lens = {name: own[name] for name in ("blur", "noise") if name in own}
    names = ("carbide", "grey") if words["second"] else ("carbide",)
    greys = (180.0, 80.0 + 100 * words["second"]) if words["second"] else (180.0,)
    optics = Optics(80.0, greys, blur_px=lens.get("blur", 1.0), noise=lens.get("noise", 4.0), shading=0.1)
    share = (0.6, 0.4) if words["second"] else (1.0,)
    people = tuple(
        Population(words["fraction"] * part, words["diameter"], spread=0.3, carbide_class=k)
        for k, part in enumerate(share)
    )
    gap = -1.0 if words["touching"] else 2.0
    scene = Scene(people if words["fraction"] else (), names, gap_px=gap, optics=optics)
    same = ("lath", "blocks", "boundary", "rim", "rim_px", "dome_px", "relief", "pits")
    etch = Etch(
        **{name: own[name] for name in same if name in own},
        grey_spread=own.get("spread", 0.0),
        holes=words["holes"],
        film=words["film_px"] > 0,
        film_px=words["film_px"] or 3.0,
    )
    of_camera = ("gain", "mosaic", "gamma", "sharpening", "median_px", "jpeg")
    camera = Camera(**{name: own[name] for name in of_camera if name in own})
    grey, truth = etched_field(scene, shape, etch, camera, np.random.default_rng([seed, 5]))
    return grey, float(truth.area_fraction.sum())


GENERATORS = {"phantom": phantom, "other": other_generator.picture}


def rows(read, seed: int = 0, draw=None) -> list[Row]:
    """One row a case and generator; `read(grey)` gives value (None: unknown), low, high."""
    found = []
    for name, words in CASES.items():
        for kind, generator in GENERATORS.items():
            grey, truth = draw(kind, name, seed) if draw else generator(SHAPE, seed=seed, **words)
            found.append(Row(f"{name} · {kind}", truth, *read(grey)))
    return found


def summary(found: list[Row]) -> str:
    lines = []
    for kind in GENERATORS:
        own = [row for row in found if row.case.endswith(kind)]
        lines.append(
            f"{kind}: {len(own)} pictures, {sum(r.miss for r in own)} miss, {sum(r.wide for r in own)} wide, "
            f"{sum(r.value is None for r in own)} unknown"
        )
    return "\n".join(lines)


def measured(grey):
    """Read a field as the program does."""
    from micro import measure

    value, low, high = measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    return None if np.isnan(value) else value, low, high


if __name__ == "__main__":
    table = rows(measured)
    print(*table, sep="\n")
    print(summary(table))
