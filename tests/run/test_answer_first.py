"""What a run found is told as soon as it stands in the tables, before any figure is drawn."""

import numpy as np

from micro.phantom.picture import write_tiff
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.study import run_study
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Specimen, study_of_images


def test_the_answer_comes_before_the_figures(tmp_path):
    """Told once, whole, with the tables on the disk and neither a figure nor the report."""
    grey, _ = make_field(Scene((Population(0.1, 10),)), (160, 200), np.random.default_rng(1))
    write_tiff(tmp_path / "f1.tif", grey, 0.2)
    study = study_of_images([tmp_path / "f1.tif"], Specimen("bar", (), um_per_px=0.2), SegmentationSettings())
    out, told = tmp_path / "out", []

    def answered(ending):
        assert (out / "specimens.csv").is_file()
        assert not (out / "report.html").exists()
        assert not (out / "figures").exists()
        told.append(ending)

    ending = run_study(study, out, 1, lambda outcome: None, answered=answered)
    assert told == [ending]
    assert (out / "report.html").is_file()
