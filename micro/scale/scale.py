"""The scale of a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

# An optical or electron micrograph lies well within.
PLAUSIBLE_UM_PER_PX = (1e-5, 50.0)
NORMAL_95 = 1.959964
"""Standard uncertainties on either side of a 95 % interval of the normal distribution."""


@dataclass(frozen=True)
class Scale:
    """Size of a pixel, how sure it is, and where it came from.

    Parameters
    ----------
    um_per_px
        Micrometres per pixel, finite and above 0.
    standard_uncertainty
        Of `um_per_px`, in µm; None where the origin does not state one.
    origin
        Where the scale came from, in words for the report.

    Raises
    ------
    ValueError
        If `um_per_px` is not a finite number above 0, or the uncertainty is negative.

    Examples
    --------
    >>> Scale(0.2, 0.001, "given").relative_uncertainty
    0.005
    """

    um_per_px: float
    standard_uncertainty: float | None
    origin: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.um_per_px) and self.um_per_px > 0):
            raise ValueError(f"um_per_px must be a finite number above 0, got {self.um_per_px}")
        if self.standard_uncertainty is not None and not self.standard_uncertainty >= 0:
            raise ValueError(f"standard_uncertainty must be 0 or more, got {self.standard_uncertainty}")

    @property
    def relative_uncertainty(self) -> float | None:
        """Standard uncertainty over the value; areas carry twice this."""
        return None if self.standard_uncertainty is None else self.standard_uncertainty / self.um_per_px
