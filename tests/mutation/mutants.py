"""One-line faults put into the numeric rooms, one at a time, and whether the tests of the room notice.

    python tests/mutation/mutants.py --sample 150 --seed 19 --minutes 6 --floor 0.5

A copy of the package is changed, never the checkout. Every mutant is one changed operator, comparison, number, sign or
function in code that computes; the same sample comes up for the same seed. Survivors are printed with file and line.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue

ROOT = Path(__file__).parents[2]
TESTS = {
    "statistics/sampling.py": ["specimens/test_sampling.py", "specimens/test_sizes.py"],
    "statistics/skewed.py": ["specimens/test_skewed.py", "comparison/test_difference.py"],
    "statistics/shares.py": ["comparison/test_joint.py"],
    "statistics/two_samples.py": ["comparison/test_two_samples.py", "comparison/test_outliers.py"],
    "statistics/lognormal.py": ["specimens/test_lognormal.py", "specimens/test_spheres.py"],
    "statistics/robust.py": ["specimens/test_robust.py"],
    "specimens/sizes.py": ["specimens/test_sizes.py", "specimens/test_skewed.py"],
    "specimens/largest.py": ["specimens/test_largest.py", "specimens/test_in_space.py"],
    "specimens/unfolding.py": ["specimens/test_unfolding.py"],
    "specimens/spheres.py": ["specimens/test_spheres.py"],
    "specimens/in_space.py": ["specimens/test_in_space.py"],
    "specimens/quantities.py": ["specimens/test_known_specimen.py", "specimens/test_summary.py"],
    "specimens/summary.py": ["specimens/test_sampling.py", "specimens/test_summary.py"],
    "comparison/sides.py": ["comparison/test_difference.py"],
    "comparison/joint.py": ["comparison/test_joint.py"],
    "comparison/coupons.py": ["comparison/test_coupons.py"],
    "geometry/runs.py": ["measures/test_shapes_known.py", "measures/test_measure.py"],
    "geometry/outlines.py": ["measures/test_shapes_known.py"],
    "geometry/regions.py": ["measures/test_shapes_known.py"],
    "measures/intercepts.py": ["measures/test_intercepts.py", "measures/test_measure.py"],
    "measures/orientation.py": ["measures/test_orientation.py", "measures/test_angle_uncertainty.py"],
    "measures/spectrum.py": ["measures/test_banding.py"],
    "measures/banding.py": ["measures/test_banding.py"],
    "measures/neighbours.py": ["measures/test_neighbours.py"],
}
"""Module of the package and the tests that hold it, quickest first."""

SWAPS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt,
}  # fmt: skip
CALLS = {"sin": "cos", "cos": "sin", "log": "sqrt", "exp": "cosh", "hypot": "max", "min": "max", "max": "min"}
SECONDS_EACH = 90


def places(tree: ast.Module) -> Iterator[tuple[str, int, int]]:
    """(kind, number of the node in the walk, line) of everything that can be changed, texts and types aside."""
    ignored: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign | ast.arg) and node.annotation is not None:
            ignored |= {id(part) for part in ast.walk(node.annotation)}
        if isinstance(node, ast.FunctionDef):
            if node.returns is not None:
                ignored |= {id(part) for part in ast.walk(node.returns)}
            ignored |= {id(part) for decorator in node.decorator_list for part in ast.walk(decorator)}
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript):
            ignored |= {id(part) for part in ast.walk(node.value)}  # a name for a type
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in ignored:
            continue
        if (isinstance(node, ast.BinOp) and type(node.op) in SWAPS) or (
            isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS
        ):
            yield "operator", number, node.lineno
        elif isinstance(node, ast.Constant) and isinstance(node.value, int | float) and node.value not in (True, False):
            yield "number", number, node.lineno
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            yield "sign", number, node.lineno
        elif isinstance(node, ast.Call) and _called(node) in CALLS:
            yield "function", number, node.lineno


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def changed(tree: ast.Module, kind: str, number: int) -> ast.Module:
    """Return a copy of the tree with one place changed."""
    tree = copy.deepcopy(tree)
    node = next(node for position, node in enumerate(ast.walk(tree)) if position == number)
    if isinstance(node, ast.BinOp):
        node.op = SWAPS[type(node.op)]()
    elif isinstance(node, ast.Compare):
        node.ops[0] = SWAPS[type(node.ops[0])]()
    elif isinstance(node, ast.Constant):
        node.value = node.value * 2 if isinstance(node.value, float) else node.value + 1
    elif isinstance(node, ast.UnaryOp):
        node.op = ast.UAdd()
    elif isinstance(node, ast.Call):
        name = CALLS[_called(node)]
        if isinstance(node.func, ast.Attribute):
            node.func.attr = name
        elif isinstance(node.func, ast.Name):
            node.func.id = name
    return ast.fix_missing_locations(tree)


def survives(folder: Path, module: str, source: str) -> bool:
    """Whether the tests of a module pass with another source of it; too long a run counts as noticed."""
    path = folder / "micro" / module
    before = path.read_text(encoding="utf-8")
    path.write_text(source, encoding="utf-8")
    tests = [str(folder / "tests" / test) for test in TESTS[module]]
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", "--no-cov", *tests]
    surroundings = os.environ | {"PYTHONPATH": str(folder), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    surroundings["PYTHONDONTWRITEBYTECODE"] = "1"
    try:
        run = subprocess.run(command, cwd=folder, env=surroundings, capture_output=True, timeout=SECONDS_EACH)
        return run.returncode == 0
    except subprocess.TimeoutExpired:
        return False
    finally:
        path.write_text(before, encoding="utf-8")


def sample(modules: list[str], size: int, seed: int) -> list[tuple[str, str, int, int]]:
    """Return (module, kind, number, line) of a fixed sample."""
    every = []
    for module in modules:
        tree = ast.parse((ROOT / "micro" / module).read_text(encoding="utf-8"))
        every += [(module, *place) for place in places(tree)]
    return random.Random(seed).sample(every, min(size, len(every)))


def copied(folder: Path) -> Path:
    """Copy package and tests to a folder."""
    for name in ("micro", "tests"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def judged(mutant: tuple[str, str, int, int], folders: Queue[Path], end: float) -> bool | None:
    """Whether a mutant survives; None where the time is up."""
    if time.monotonic() > end:
        return None
    module, kind, number, _ = mutant
    folder = folders.get()
    try:
        tree = ast.parse((folder / "micro" / module).read_text(encoding="utf-8"))
        return survives(folder, module, ast.unparse(changed(tree, kind, number)))
    finally:
        folders.put(folder)


def main() -> int:
    """Run the sample; 1 where fewer mutants than the floor were noticed, or none was run."""
    words = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    words.add_argument("--sample", type=int, default=150)
    words.add_argument("--seed", type=int, default=19)
    words.add_argument("--minutes", type=float, default=6.0, help="stop after this time; what was run is judged")
    words.add_argument("--floor", type=float, default=0.5, help="share that must be noticed")
    words.add_argument("--workers", type=int, default=2)
    words.add_argument("--only", default="", help="modules whose path holds this text")
    given = words.parse_args()
    modules = [module for module in TESTS if given.only in module]
    end = time.monotonic() + 60 * given.minutes
    chosen = sample(modules, given.sample, given.seed)
    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(given.workers) as pool:
        folders: Queue[Path] = Queue()
        for number in range(given.workers):
            folders.put(copied(Path(scratch) / str(number)))
        verdicts = list(pool.map(lambda mutant: judged(mutant, folders, end), chosen))
    survivors = [f"micro/{m[0]}:{m[3]} {m[1]}" for m, lives in zip(chosen, verdicts, strict=True) if lives]
    noticed = verdicts.count(False)
    run = noticed + len(survivors)
    print(*sorted(survivors), sep="\n")
    print(f"{noticed} of {run} mutants noticed ({100 * noticed / max(run, 1):.0f} %), {given.sample - run} not run")
    return 0 if run and noticed >= given.floor * run else 1


if __name__ == "__main__":
    sys.exit(main())
