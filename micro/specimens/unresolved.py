"""Structures too fine for the picture: which carbides touch cannot be told, so that their number is a lower bound."""

from __future__ import annotations

from collections.abc import Set

import numpy as np

from micro.specimens.quantities import PER_MM2, ClassData

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


def hidden_per_mm2(data: ClassData) -> float:
    """Carbides per area that may be hidden, 1/mm²: one more in each outline that is short enough to be a pair."""
    resolved = data.column("resolved_diameter_um")[data.field]
    short = data.carbide("ecd_um") < PAIR * resolved
    return float(PER_MM2 * data.weight[short].sum() / np.nansum(data.area)) if len(data.fields) else 0.0
