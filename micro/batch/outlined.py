"""Segmented fields kept on the disk from the search for the rolling direction until they are measured."""

from __future__ import annotations

import os
import pickle
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from micro.segmentation.segmentation import Segmentation

BYTES_KEPT, BYTES_A_PIXEL = 2**30, 7
"""Of a study at a time (chosen); 5 a pixel for contrast and what is left out, 1 to 2 for the runs of dense fields
(measured)."""

Run = tuple["NDArray[np.int32]", "NDArray[np.uint32]"]


def how_many(largest_px: int) -> int:
    """Fields of so many pixels that are kept at a time; the others are segmented again."""
    return BYTES_KEPT // (BYTES_A_PIXEL * max(1, largest_px))


WHOLE_PICTURE = "bare"
"""What a segmented field knows that is found again sooner than it is read."""


def keep(segmentation: Segmentation, sha256: str, out: Path) -> Path | None:
    """Write a segmented field into a new file of a results folder; None where there is no room for it.

    The name is that of an unfinished file, so that the next run sweeps away what a killed one leaves.

    Parameters
    ----------
    sha256
        Of the picture.
    """
    import numpy as np

    pictures = _packed(segmentation.labels), _packed(segmentation.basins)
    bare = replace(segmentation, labels=np.empty(0, np.int32), basins=np.empty(0, np.int32))
    known = {name: value for name, value in vars(segmentation).items() if name not in {*vars(bare), WHOLE_PICTURE}}
    try:
        handle, name = tempfile.mkstemp(prefix=results.TEMPORARY, dir=out)
        with os.fdopen(handle, "wb") as stream:
            pickle.dump((sha256, segmentation.labels.shape, pictures, bare, known), stream, pickle.HIGHEST_PROTOCOL)
    except OSError:
        return None
    return Path(name)


def kept(path: Path | None, sha256: str) -> Segmentation | None:
    """Read what `keep` wrote in this run; None where that is gone, or was of another picture."""
    if path is None:
        return None
    try:
        # The name comes from the process that wrote it a moment ago, into a file that nobody else may write.
        with path.open("rb") as stream:
            of, shape, pictures, bare, known = pickle.load(stream)
    except (OSError, EOFError, pickle.UnpicklingError):
        return None
    if of != sha256:
        return None
    labels, basins = (_unpacked(picture, shape) for picture in pictures)
    segmentation: Segmentation = replace(bare, labels=labels, basins=basins)
    vars(segmentation).update(known)
    return segmentation


def _packed(labels: NDArray[np.int32]) -> Run:
    """Values and lengths of the runs of a picture, row after row."""
    import numpy as np

    flat = labels.ravel()
    first = np.flatnonzero(np.append(True, flat[1:] != flat[:-1])) if flat.size else np.empty(0, np.intp)
    return flat[first], np.diff(first, append=flat.size).astype(np.uint32)


def _unpacked(run: Run, shape: tuple[int, int]) -> NDArray[np.int32]:
    import numpy as np

    return np.repeat(*run).reshape(shape)
