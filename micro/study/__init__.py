"""The study: which specimens, which pictures, how they are measured."""

from micro.study.fields import safe_stem, study_of_images
from micro.study.file import read_study
from micro.study.keys import SEGMENTING
from micro.study.study import Field, Specimen, Study

__all__ = ["SEGMENTING", "Field", "Specimen", "Study", "read_study", "safe_stem", "study_of_images"]
