"""Results folders of invented bars, as small as an atlas can be made of."""

import math

import numpy as np
import pandas as pd
import pytest

from micro import __version__, results
from micro.comparison.coupon_file import Coupons
from micro.comparison.coupons import analyse_coupons

WIDE = {"area_fraction": 0.06, "mean_ecd": 0.05, "largest_ecd": 0.2, "elongation_along_rolling": 0.03,
        "anisotropy_index": 0.02, "banding_beyond_random": 0.1}  # fmt: skip
"""Half of an interval over its value."""


class Bar:
    """An invented bar; every value can be set."""

    def __init__(self, name, **given):
        self.name, self.classes, self.route, self.plane = name, ("M7C3",), "conventional", "longitudinal"
        self.steel, self.treatment, self.um_per_px, self.settings = "", {}, 0.2, {}
        self.composition = {"C": 1.5, "Cr": 12.0}
        self.area_fraction, self.mean_ecd, self.largest_ecd = 0.10, 2.0, 15.0
        self.elongation_along_rolling, self.anisotropy_index, self.banding_beyond_random = 1.3, 1.2, 0.5
        self.hardness, self.longitudinal, self.transverse, self.test_bars, self.factors = 60.0, 40.0, 25.0, 4, {}
        self.pictures, self.matrix_cr = None, math.nan
        vars(self).update(given)


def write_folder(path, bars, date="2026-01-05T10:00:00+00:00", version=__version__, seed=0):
    """Write the tables and the record that an atlas reads."""
    rng = np.random.default_rng(seed)
    results.write_table(path / results.SPECIMENS, pd.DataFrame([row for bar in bars for row in _quantities(bar)]))
    fields = [{"specimen": bar.name, "um_per_px": bar.um_per_px} for bar in bars for _ in range(6)]
    results.write_table(path / results.FIELDS, pd.DataFrame(fields))
    tough = pd.DataFrame([row for bar in bars for row in _test_bars(bar, rng)])
    if len(tough):
        factors = tuple(dict.fromkeys(name for bar in bars for name in bar.factors))
        tough = tough.fillna(dict.fromkeys(factors, ""))
        # Bar by bar: pairs of bars, which an atlas does not read, cost most of the time.
        each = [analyse_coupons(Coupons(own, "HRC", factors, ())) for _, own in tough.groupby("specimen", sort=False)]
        for name, table in ((results.COUPONS, "summary"), (results.RATIOS, "ratios"), (results.COUPONS_USED, "used")):
            results.write_table(path / name, pd.concat([getattr(one, table) for one in each]))
    kept = [{"specimen": b.name, "element": "Cr", "in_steel": b.composition["Cr"], "in_matrix": b.matrix_cr,
             "ci95_low": b.matrix_cr - 0.7, "ci95_high": b.matrix_cr + 0.7}
            for b in bars if math.isfinite(b.matrix_cr)]  # fmt: skip
    if kept:
        results.write_table(path / results.MATRIX, pd.DataFrame(kept))
    results.write_json(path / results.RECORD, {
        "date": date, "versions": {"micro": version}, "study": {"specimens": [_told(bar) for bar in bars]},
        "outcomes": [{"specimen": b.name, "trouble": "", "image_sha256": f"{b.pictures or (path.name, b.name)}{n}"}
                     for b in bars for n in range(6)],
    })  # fmt: skip
    return path


def _quantities(bar):
    for carbide_class in ("all", *bar.classes):
        for name, wide in WIDE.items():
            value = getattr(bar, name)
            yield {"specimen": bar.name, "carbide_class": carbide_class, "quantity": name, "mean": value,
                   "ci95_low": value * (1 - wide), "ci95_high": value * (1 + wide), "fields": 6}  # fmt: skip


def _test_bars(bar, rng):
    treatments = bar.factors or {"": [""]}
    for factor, values in treatments.items():
        for value in values:
            for direction in ("longitudinal", "transverse"):
                for number in range(bar.test_bars):
                    tough = getattr(bar, direction)
                    tough = tough(value) if callable(tough) else tough
                    row = {"specimen": bar.name, "coupon": f"{direction}{value}{number}", "direction": direction,
                           "censored": False, "toughness": tough * math.exp(0.08 * rng.standard_normal()),
                           "hardness": bar.hardness + 0.2 * rng.standard_normal(), "line": 0}  # fmt: skip
                    yield row | ({factor: str(value)} if factor else {})


def _told(bar):
    settings = {"carbides": "auto", "class_names": list(bar.classes), "class_greys": [], "matrix_grey": None,
                "threshold_grey": None, "blur_px": None, "min_area_px": 6.0} | bar.settings  # fmt: skip
    return {"name": bar.name, "route": bar.route, "plane": bar.plane, "steel": bar.steel,
            "heat_treatment": bar.treatment, "composition": bar.composition, "taught_by": [], "outlines": "better",
            "fields": [{"settings": settings}]}  # fmt: skip


@pytest.fixture(scope="module", params=[5, pytest.param(20, marks=pytest.mark.study)], ids="{} folders".format)
def many_folders(tmp_path_factory, request):
    """Folders of ten bars: toughness falls with the amount of carbide, and with hardness."""
    return many(tmp_path_factory.mktemp("many"), request.param)


def many(tmp_path, folders, each=10):
    rng, written = np.random.default_rng(7), []
    kinds = (
        (("M7C3",), "conventional", 0.11, 20, 0.4),
        (("MC",), "powder-metallurgy", 0.05, 4.5, 0.95),
        (("M7C3", "MC"), "conventional", 0.05, 12, 0.6),
        (("MC", "M6C"), "powder-metallurgy", 0.12, 6, 0.9),
    )
    for number in range(folders):
        bars = []
        for k in range(each):
            classes, route, amount, largest, ratio = kinds[int(rng.integers(4))]
            amount, largest = amount * math.exp(0.2 * rng.normal()), largest * math.exp(0.25 * rng.normal())
            hardness = 60 + 1.2 * rng.normal()
            along = 75 * math.exp(-9 * (amount - 0.05) - 0.1 * (hardness - 60) + 0.12 * rng.normal())
            bars.append(Bar(
                f"{number + 1}-{'ABCDEFGHIJ'[k]}", classes=classes, route=route, area_fraction=amount,
                largest_ecd=largest, hardness=hardness, longitudinal=along,
                transverse=along * ratio * math.exp(0.1 * rng.normal()),
                banding_beyond_random=0.15 + 0.9 * (1 - ratio) * math.exp(0.2 * rng.normal()),
                anisotropy_index=1 + 0.5 * (1 - ratio) * math.exp(0.2 * rng.normal()), matrix_cr=7.5 + rng.normal(),
                um_per_px=0.2 if number < folders - 3 else 0.1, factors={"tempering_C": [525]},
            ))  # fmt: skip
        date = f"{2020 + number // 4}-{1 + 3 * (number % 4):02d}-10T08:00:00+00:00"
        written.append(write_folder(tmp_path / f"study{number + 1}", bars, date, seed=number))
    return written
