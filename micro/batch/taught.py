"""What workers do for taught outlines: features at points, the map of a field, outlines from a kept map."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from micro import results
from micro.batch.frames import read_micrograph
from micro.batch.job import Job, digest_of, library_versions
from micro.errors import InputError
from micro.field import not_analysed
from micro.image.micrograph import Micrograph
from micro.taught.corrected import CountedField
from micro.taught.crossfit import Answers, FieldMaps, apply_to_field, counted_field, one_field
from micro.taught.features import FeaturePlanes, feature_planes
from micro.taught.learner import StoredMap, TaughtMap, probability_map, share_outside, to_text
from micro.taught.outlines import TaughtOutlines, draw_outlines, named

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
# Steps of the kept map between 0 and 1: finer than any count tells.
STEPS = 255
NOT_COUNTED = Answers(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True, eq=False)
class MapJob:
    """Map of one field.

    Parameters
    ----------
    job
        Of the field, in the results folder.
    counted
        Its answers.
    own
        Folder of the program's own outlines.
    taught
        Map that has not seen the answers and is judged by them; None teaches on the field's own points by folds.
    drawn
        Map of all answers, that the outlines in use are drawn on; None for that of the field's own points.
    """

    job: Job
    counted: Answers
    own: Path
    taught: TaughtMap | None = None
    drawn: TaughtMap | None = None


@dataclass(frozen=True, eq=False)
class Mapped:
    """What the map of one field says.

    Parameters
    ----------
    at_points, means
        (classes, points) as in `micro.taught.crossfit.FieldMaps`.
    own, outlined
        (points,) 1 inside the program's own outlines, and inside those by maps that have not seen the answers.
    own_share
        Share of the field inside the program's own outlines.
    mean
        (classes,) mean of the map that its answers judge, or would, over the analysed area.
    analysed
        (points,) 1 in the analysed area, 0 in what is left out.
    outside
        Share of the field whose features lie outside of what was taught; NaN for folds of points.
    map_sha256
        Of the kept map, which the outlines in use are drawn on.
    """

    at_points: FloatArray
    means: FloatArray
    own: FloatArray
    outlined: FloatArray
    own_share: float
    mean: FloatArray
    analysed: FloatArray
    outside: float
    map_sha256: str

    def counted(self, answers: Answers, carbide_class: int = 0) -> CountedField:
        """Field for the estimator, as of `micro.taught.crossfit.counted_field`."""
        return counted_field(analysed_only(answers, self.analysed > 0), self.at_points, self.means, carbide_class)


def map_file(out: Path, stem: str) -> Path:
    """Where the map of a field is kept: a TIFF of one page a class, 0 matrix to 255 carbide."""
    return out / results.TAUGHT / "maps" / f"{stem}.tif"


def features_at(task: MapJob) -> tuple[Float32Array, Answers]:
    """(points, features) of a counted field, and its answers in the analysed area."""
    micrograph = read_micrograph(task.job)
    planes = feature_planes(micrograph.grey)
    x, y = _in_frame(micrograph, task.counted, task.job)
    return planes.at(x, y), analysed_only(task.counted, _at(core_of(micrograph), x, y))


def analysed_only(counted: Answers, analysed: NDArray[np.bool_]) -> Answers:
    """Answers of the points (points,) that are analysed; the others are as if nobody had judged them."""
    return replace(counted, answers=np.where(analysed, counted.answers, np.nan))


def map_field(task: MapJob) -> Mapped:
    """Draw the map of one field and keep it, or take what an earlier run kept of the same."""
    kept = map_file(task.job.out, task.job.field.stem).with_suffix(".json")
    key = _key(task)
    return _kept(kept, key) or _drawn(task, kept, key)


def kept_probability(path: Path) -> Float32Array:
    """(classes, rows, columns) probability of a kept map."""
    import tifffile

    grey = tifffile.imread(path)
    return np.asarray(grey.reshape(-1, *grey.shape[-2:]), np.float32) / np.float32(STEPS)


def taught_outlines(job: Job, path: Path) -> TaughtOutlines:
    """Outlines on the kept map of a field."""
    probability = kept_probability(path)
    return named(draw_outlines(probability), class_names_of(job, len(probability)))


def class_names_of(job: Job, classes: int) -> tuple[str, ...]:
    """Names of the classes of a map."""
    if job.taught is not None and len(job.taught.class_names) == classes:
        return job.taught.class_names
    return tuple(f"carbide {k}" for k in range(1, classes + 1))


def _key(task: MapJob) -> str:
    taught = ["" if one is None else to_text(StoredMap(one)) for one in (task.taught, task.drawn)]
    points = [np.asarray(v, float).tolist() for v in (task.counted.x_px, task.counted.y_px, task.counted.answers)]
    kinds = None if task.counted.carbide_class is None else task.counted.carbide_class.tolist()
    own = results.hash_of_file(task.own / results.LABELS / f"{task.job.field.stem}.tif")
    picture = results.hash_of_file(task.job.field.image)
    return digest_of([picture, task.job.field.reading, taught, str(points), kinds, own, library_versions()])


def kept_map(out: Path, stem: str) -> Mapped:
    """Read what the map of a field said in a finished run.

    Raises
    ------
    InputError
        Where it is missing or not as the run left it.
    """
    path = map_file(out, stem).with_suffix(".json")
    mapped = _kept(path, None)
    if mapped is None:
        raise InputError(path, "is missing or not as the run left it", "run the study again")
    return mapped


def _kept(path: Path, key: str | None) -> Mapped | None:
    """Record of a kept map, whatever it was drawn from where `key` is None."""
    try:
        record = json.loads(path.read_text(encoding="utf8"))
        made_of = record.pop("key")
        if key not in (None, made_of) or results.hash_of_file(path.with_suffix(".tif")) != record["map_sha256"]:
            return None
        outside = record.pop("outside")
        values: dict[str, Any] = {name: np.array(v, float) if isinstance(v, list) else v for name, v in record.items()}
        return Mapped(**values, outside=np.nan if outside is None else outside)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _drawn(task: MapJob, kept: Path, key: str) -> Mapped:
    micrograph = read_micrograph(task.job)
    planes = feature_planes(micrograph.grey)
    x, y = _in_frame(micrograph, task.counted, task.job)
    core = core_of(micrograph)
    analysed = _at(core, x, y)
    counted = replace(analysed_only(task.counted, analysed), x_px=x, y_px=y)
    judged = _judged(task, planes, counted, core)
    own = _own_labels(task)
    row, column = np.floor(y).astype(np.intp), np.floor(x).astype(np.intp)
    top, left = (0, 0) if micrograph.sub_field is None else (s.start for s in micrograph.sub_field.core_in_frame)
    if task.taught is None:
        outlined = judged.at_points.sum(axis=0) > 0.5
    else:
        outlined = draw_outlines(judged.probability).labels[row, column] > 0
    same = task.drawn is None or task.drawn is task.taught
    drawn = judged.probability if same else probability_map(cast(TaughtMap, task.drawn), planes)
    mapped = Mapped(
        at_points=judged.at_points,
        means=judged.means,
        own=(own[row - top, column - left] > 0).astype(float),
        outlined=outlined.astype(float),
        own_share=float((own > 0).sum() / max(core.sum(), 1)),
        mean=judged.probability[:, core].mean(axis=1, dtype=float) if core.any() else np.zeros(len(judged.probability)),
        analysed=analysed.astype(float),
        outside=np.nan if task.drawn is None else share_outside(task.drawn, planes, core),
        map_sha256=_keep(kept.with_suffix(".tif"), drawn),
    )
    record = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in vars(mapped).items()}
    record["outside"] = None if np.isnan(mapped.outside) else mapped.outside
    results.write_json(kept, {"key": key, **record})
    return mapped


def _judged(task: MapJob, planes: FeaturePlanes, counted: Answers, core: NDArray[np.bool_]) -> FieldMaps:
    if task.taught is None:
        return one_field(planes, counted, core)
    return apply_to_field(task.taught, planes, counted, core)


def _keep(path: Path, probability: Float32Array) -> str:
    """Write the map; return its SHA-256."""
    import tifffile

    packed = io.BytesIO()
    tifffile.imwrite(
        packed, np.rint(probability * STEPS).astype(np.uint8), compression="zlib", compressionargs={"level": 3},
        software=False, metadata=None, photometric="minisblack",
    )  # fmt: skip
    with results.whole_file(path) as stream:
        stream.write(packed.getvalue())
    return results.hash_of_file(path)


def _own_labels(task: MapJob) -> NDArray[np.int32]:
    import tifffile

    return np.asarray(tifffile.imread(task.own / results.LABELS / f"{task.job.field.stem}.tif"))


def core_of(micrograph: Micrograph) -> NDArray[np.bool_]:
    """(rows, columns) of the frame: what the field answers for and is analysed."""
    core = np.zeros(micrograph.grey.shape, bool)
    core[np.s_[:, :] if micrograph.sub_field is None else micrograph.sub_field.core_in_frame] = True
    return core & ~not_analysed(micrograph)


def _at(picture: NDArray[np.bool_], x: FloatArray, y: FloatArray) -> NDArray[np.bool_]:
    return np.asarray(picture[np.floor(y).astype(np.intp), np.floor(x).astype(np.intp)])


def _in_frame(micrograph: Micrograph, counted: Answers, job: Job) -> tuple[FloatArray, FloatArray]:
    """Points of the shown picture as places in what was read; the last pixel holds what lies on the far edges."""
    rows, columns = micrograph.core.grey.shape
    outside = ~((counted.x_px <= columns) & (counted.y_px <= rows))
    if outside.any():
        problem = f"{int(outside.sum())} counted points lie beyond the picture of {columns} x {rows} px"
        raise InputError(job.field.image, problem, "measure the pictures as they were counted")
    x, y = np.minimum(counted.x_px, columns - 0.01), np.minimum(counted.y_px, rows - 0.01)
    if micrograph.sub_field is None:
        return x, y
    down, across = micrograph.sub_field.core_in_frame
    return x + across.start, y + down.start
