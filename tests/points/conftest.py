"""Invented fields of discs whose outlines are known, the result of a perfect measurement, and counts of it."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile

from micro import results
from micro.batch.job import Outcome
from micro.points.measured import judge_points
from micro.points.sheet import make_sheet
from micro.points.tally import TALLY
from micro.report.record import run_record, write_record
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen
from micro.study.model import Study as RunStudy
from micro.tables import columns

HEIGHT, WIDTH = 180, 240
UM_PER_PX = 0.2
VERDICT = {0.0: "out", 0.5: "boundary", 1.0: "in"}


def draw_labels(rng, discs=14, radius=9):
    """(HEIGHT, WIDTH) labels of discs; where two meet the later one is on top."""
    labels = np.zeros((HEIGHT, WIDTH), np.int32)
    for number in range(1, discs + 1):
        x, y = rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT)
        rows, columns_ = np.ogrid[:HEIGHT, :WIDTH]
        labels[(columns_ + 0.5 - x) ** 2 + (rows + 0.5 - y) ** 2 < radius**2] = number
    return labels


@dataclass
class Study:
    """Pictures with known outlines, and where they lie."""

    folder: Path
    labels: dict

    @property
    def pictures(self):
        return [(s, Field(f, self.folder / f"{s}-{f}.png", "", f, SegmentationSettings())) for s, f in self.labels]

    def sheet(self, **settings):
        return make_sheet(self.pictures, **{"points": 25, **settings})

    def write_results(self, out, factor=1.0, classes=("carbide",)):
        """Write a results folder whose fractions are `factor` times the true ones; labels take classes in turn."""
        fields, particles, recorded, outcomes = [], [], {}, []
        blank = {c.name: "" if c.dtype == "str" else np.nan for c in columns.FIELDS}
        carbide = {c.name: "" if c.dtype == "str" else np.nan for c in columns.PARTICLES}
        for (specimen, field), labels in self.labels.items():
            place = {"specimen": specimen, "field": field}
            numbers = np.unique(labels[labels > 0])
            of_class = {number: classes[number % len(classes)] for number in numbers}
            for name in ("all", *classes):
                own = labels > 0 if name == "all" else np.isin(labels, [n for n in numbers if of_class[n] == name])
                fields.append(
                    blank | place | {"um_per_px": UM_PER_PX, "analysed_area_um2": labels.size * UM_PER_PX**2}
                    | {"carbide_class": name, "area_fraction": factor * own.mean(), "file": f"{specimen}-{field}"}
                )  # fmt: skip
            particles += [carbide | place | {"particle": n, "carbide_class": c} for n, c in of_class.items()]
            path = out / "labels" / f"{specimen}-{field}.tif"
            path.parent.mkdir(parents=True, exist_ok=True)
            tifffile.imwrite(path, labels)
            image, stem = self.folder / f"{specimen}-{field}.png", f"{specimen}-{field}"
            own = Field(field, image, image.name, stem, SegmentationSettings())
            recorded.setdefault(specimen, []).append(own)
            outcomes.append(Outcome(specimen, field, stem, image.name, results.hash_of_file(image)))
        results.write_table(out / "fields.csv", pd.DataFrame(fields))
        results.write_table(out / "particles.csv", pd.DataFrame(particles, columns=columns.names(columns.PARTICLES)))
        bars = tuple(Specimen(specimen, tuple(own)) for specimen, own in recorded.items())
        write_record(run_record(RunStudy("Invented", bars, "study"), tuple(outcomes), out, "", 0.0), out)
        return out

    def count(self, sheet, counter="ab", misjudged=0.0, rng=None, classes=("",)):
        """Rows of a tally by a counter who sees the true outlines, but for a share of points judged at random."""
        rows = []
        for f in sheet.fields:
            labels = self.labels[f.specimen, f.field]
            scores = judge_points(labels > 0, f.grid.x_px, f.grid.y_px)
            for point, (x, y, score) in enumerate(zip(f.grid.x_px, f.grid.y_px, scores, strict=True), 1):
                verdict = VERDICT[score]
                if rng is not None and rng.random() < misjudged:
                    verdict = str(rng.choice(list(VERDICT.values())))
                label = labels[min(int(y), HEIGHT - 1), min(int(x), WIDTH - 1)]
                carbide_class = "" if verdict == "out" else classes[label % len(classes)]
                rows.append((
                    sheet.identity, f.specimen, f.field, f.image_sha256, f.grid.points, point, x, y, verdict,
                    carbide_class, counter,
                ))  # fmt: skip
        return pd.DataFrame(rows, columns=[c.name for c in TALLY])

    def tally_file(self, path, table):
        table.to_csv(path, index=False)
        return path


def write_study(folder, specimens=("A", "B"), fields=3, seed=5, **drawn):
    rng = np.random.default_rng(seed)
    labels = {(s, f"f{n}"): draw_labels(rng, **drawn) for s in specimens for n in range(1, fields + 1)}
    for (specimen, field), own in labels.items():
        grey = np.where(own > 0, 200, 80) + rng.normal(0, 4, own.shape)
        cv2.imwrite(str(folder / f"{specimen}-{field}.png"), np.clip(grey, 0, 255).astype(np.uint8))
    return Study(folder, labels)


@pytest.fixture(scope="session")
def study(tmp_path_factory):
    return write_study(tmp_path_factory.mktemp("pictures"))


@pytest.fixture
def other_study(tmp_path):
    """Make a study of one's own in the test's folder."""

    def make(**settings):
        folder = tmp_path / "pictures"
        folder.mkdir()
        return write_study(folder, **settings)

    return make
