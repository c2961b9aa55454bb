"""The study: which specimens, which pictures, how they are measured."""

from micro.study.model import Field, Specimen, Study, safe_stem, study_of_images
from micro.study.reader import read_study

__all__ = ["Field", "Specimen", "Study", "read_study", "safe_stem", "study_of_images"]
