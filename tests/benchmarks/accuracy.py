"""Print the accuracy targets, what the program reads, and what a plain threshold reads on the same pictures.

Run it from the checkout: python tests/benchmarks/accuracy.py [--quick]. Five seeds a row, or one with --quick. The
coverage of the intervals over 1 000 studies is a test of its own: pytest -m study tests/accuracy/test_coverage.py
"""

import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
import targets
from targets import Reading

from micro.image.reading import read

HEAD = """\
1. Area fraction and diameters, 1024 × 1024 px, {seeds} seed(s) a row: the error that is largest
   Blur 0.7 to 1.5 px, contrast to noise 5 to 20, shading 0 to 40 %, round to 1.5, smooth or faceted.
   Target: area 3 % or 0.05 points, whichever is larger; diameters of what is 4 px or wider 3 %.

                          micro, error in %                  Otsu threshold, error in %
  area %  ECD px      area  mean ECD  weighted ECD         area  mean ECD  weighted ECD
"""


def off(true: float, found: float) -> float:
    return 100 * (found / true - 1)


def worst(errors: list[float]) -> float:
    return max(errors, key=abs)


def verdict(met: bool) -> str:
    return "met" if met else "MISSED"


def errors(true: Reading, found: Reading) -> tuple[float, float, float]:
    return (
        off(true.area_fraction, found.area_fraction),
        off(true.mean_ecd, found.mean_ecd),
        off(true.weighted_ecd, found.weighted_ecd),
    )


def area_table(seeds: int) -> None:
    print(HEAD.format(seeds=seeds), end="")
    bias: list[float] = []
    for share, ecd, cases in targets.area_cases(seeds):
        ours, theirs, met = [], [], True
        for case in cases:
            grey, truth = case.draw()
            true, found = targets.true_reading(truth), targets.measured(grey)
            ours.append(errors(true, found))
            theirs.append(errors(true, targets.thresholded(grey)))
            met &= targets.area_met(true.area_fraction, found.area_fraction) and max(map(abs, ours[-1][1:])) <= 3
        bias += [row[0] for row in ours]
        columns = [worst([row[k] for row in rows]) for rows in (ours, theirs) for k in range(3)]
        shown = "{:+10.1f}{:+10.1f}{:+14.1f}   {:+10.1f}{:+10.1f}{:+14.1f}".format(*columns)
        print(f"  {100 * share:6.0f}{ecd:8d}{shown}   {verdict(met)}", flush=True)
    print(f"\n   Mean bias of the area fraction over all: {np.mean(bias):+.2f} % (target: 1 %)   "
          f"{verdict(abs(np.mean(bias)) <= 1)}\n")  # fmt: skip


def faint_table(seeds: int) -> None:
    print("2. 1 % of carbides of 8 px, contrast three times the noise. Target: 15 %, and the interval says so")
    for seed in range(seeds):
        grey, truth = targets.faint_case(seed).draw()
        true, found, otsu = targets.true_reading(truth), targets.measured(grey), targets.thresholded(grey)
        error = off(true.area_fraction, found.area_fraction)
        met = abs(error) <= 15 and found.low <= true.area_fraction <= found.high
        interval = f"{100 * found.low:.2f} to {100 * found.high:.2f} %"
        print(f"   true {100 * true.area_fraction:.2f} %   micro {error:+5.1f} %, interval {interval}   "
              f"Otsu {off(true.area_fraction, otsu.area_fraction):+6.0f} %   {verdict(met)}", flush=True)  # fmt: skip


def empty_table(fields: int) -> None:
    ours, theirs = 0, []
    for seed in range(fields):
        grey, _ = targets.empty_case(seed).draw()
        ours += targets.measured(grey).count > 0
        theirs.append(targets.thresholded(grey).area_fraction)
    print(f"\n3. No carbides, noise and texture only. Target: nothing found in {fields} of {fields}")
    print(
        f"   micro finds something in {ours}; Otsu reads {100 * np.mean(theirs):.0f} % of carbide   {verdict(not ours)}"
    )


def two_class_table(seeds: int) -> None:
    print("\n4. 5 % bright and 3 % half as bright. Target: each within 6 %")
    for seed in range(seeds):
        grey, truth = targets.two_class_case(seed).draw()
        true, found = targets.true_reading(truth).by_class, targets.measured(grey).by_class
        otsu = targets.thresholded(grey, classes=2).by_class
        ours = [off(t, f) for t, f in zip(true, found, strict=False)]
        theirs = [off(t, f) for t, f in zip(true, otsu, strict=True)]
        met = len(found) == 2 and max(map(abs, ours)) <= 6
        text = "   ".join(f"{name} {' '.join(f'{e:+7.1f} %' for e in e2)}"
                          for name, e2 in (("micro", ours), ("Otsu, three levels", theirs)))  # fmt: skip
        print(f"   half as bright, bright: {text}   {verdict(met)}", flush=True)


def same_surface_table(seeds: int) -> None:
    print("\n5. The same surface dark on bright, in 16 bit, as RGB grey. Target: the same answer (0.5 %)")
    for seed in range(seeds):
        grey, truth = targets.same_surface_case(seed).draw()
        true, plain = targets.true_reading(truth), targets.measured(grey)
        others = {
            "dark": targets.measured(np.float32(255) - grey),
            "16 bit": targets.measured(grey * np.float32(257), 65535.0),
            "RGB": targets.measured(rgb_read_back(grey)),
        }
        moves = {name: off(plain.area_fraction, other.area_fraction) for name, other in others.items()}
        text = "   ".join(f"{name} {move:+.2f} %" for name, move in moves.items())
        otsu = targets.thresholded(np.float32(255) - grey, dark=True)
        print(f"   bright {off(true.area_fraction, plain.area_fraction):+.1f} % off; beside it: {text}   "
              f"Otsu, dark {off(true.area_fraction, otsu.area_fraction):+.1f} %   "
              f"{verdict(max(map(abs, moves.values())) <= 0.5)}", flush=True)  # fmt: skip


def rgb_read_back(grey: np.ndarray) -> np.ndarray:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rgb.png"
        cv2.imwrite(str(path), np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2))
        return read(path).grey


def main() -> None:
    seeds = 1 if "--quick" in sys.argv[1:] else 5
    area_table(seeds)
    faint_table(seeds)
    empty_table(10 * seeds)
    two_class_table(seeds)
    same_surface_table(seeds)


if __name__ == "__main__":
    main()
