"""Carbides that may touch unseen: in outlines that stay concave, and in structures too fine for the picture."""

from __future__ import annotations

from collections.abc import Set

import numpy as np

from micro.measures.particles import touching_unseen
from micro.specimens.class_data import ClassData
from micro.specimens.quantities import PER_MM2

UNRESOLVED = 0.25
"""Share of the carbide area below the resolved diameter from which the magnification is in question (chosen). Drawn
fields of 5 to 20 % carbide under a blur of 1 px: up to it the number reads 2 to 6 % low, beyond it (4 and 5 px) 3 to
23 %, and the aspect ratio 4 to 65 % high; `tests/specimens/test_unresolved.py`."""
PAIR = 2.0
"""Diameters, in resolved ones, below which an outline may hold two carbides that touch: two of the resolved diameter,
side by side, are so long (chosen)."""
SHAPES: Set[str] = frozenset({"mean_aspect_ratio", "elongation_along_rolling"})
"""Quantities that carbides which touch unseen make up: they are withheld."""
BIASED: Set[str] = SHAPES | {"number_per_mm2", "mean_ecd"}
"""Quantities that get no verdict."""


def is_unresolved(data: ClassData) -> bool:
    """Whether more of the carbide area lies below the resolved diameter than lets carbides be told apart."""
    return "unresolved_share" in data.fields and data.total("unresolved_share") > UNRESOLVED


def hidden(quantity: str, data: ClassData) -> float:
    """Return what carbides that touch unseen may add to number per mm², or to mean diameter, µm (below 0).

    One more and more in each outline that stays concave, and where the structure is too fine one in each that is short
    enough to be a pair. One of k has 1/√k of the diameter.
    """
    if quantity not in ("number_per_mm2", "mean_ecd") or not len(data.carbides):
        return 0.0
    more, ecd = touching_unseen(data.carbides), data.carbide("ecd_um")
    if is_unresolved(data) and quantity == "number_per_mm2":
        more = np.maximum(more, ecd < PAIR * data.column("resolved_diameter_um")[data.field])
    if quantity == "number_per_mm2":
        return float(PER_MM2 * (data.weight @ more) / np.nansum(data.area))
    weight, number = data.weight.sum(), float(data.weight @ (1 + more))
    length = float(data.weight @ (ecd * np.sqrt(1 + more)))
    return length / number - float(data.weight @ ecd) / weight if weight else 0.0
