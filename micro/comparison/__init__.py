"""Differences between specimens, toughness coupons, chemistry."""

from micro.comparison.chemistry import carbide_ceilings, chemistry_check
from micro.comparison.coupon_file import Coupons, read_coupons
from micro.comparison.coupon_words import coupon_sentences
from micro.comparison.coupons import CouponAnalysis, analyse_coupons
from micro.comparison.findings import findings, sentences
from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.pairs import FieldFrame, compare, same_scale_crops, size_distributions, typical_field
from micro.comparison.results_folders import read_folders
from micro.comparison.structure import rank_correlation, structure_against_toughness, structure_sentences

__all__ = [
    "CouponAnalysis",
    "Coupons",
    "FieldFrame",
    "MeasuredSpecimen",
    "analyse_coupons",
    "carbide_ceilings",
    "chemistry_check",
    "compare",
    "coupon_sentences",
    "findings",
    "rank_correlation",
    "read_coupons",
    "read_folders",
    "same_scale_crops",
    "sentences",
    "size_distributions",
    "structure_against_toughness",
    "structure_sentences",
    "typical_field",
]
