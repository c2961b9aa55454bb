"""The study: which specimens, which pictures, how they are measured."""

from micro.study.model import Field, Specimen, Study, safe_stem, study_of_images
from micro.study.reader import SEGMENTING, read_study

__all__ = ["SEGMENTING", "Field", "Specimen", "Study", "read_study", "safe_stem", "study_of_images"]
