"""One-line faults put into the numeric rooms, one at a time, and whether the tests that run the line notice.

    python tests/mutation/mutants.py --sample 150 --seed 19 --floor 0.85

Each test is run once, to learn which lines it runs and how long it takes. A mutant is one changed operator, comparison,
number, sign or function in code that computes; it is imported in the place of its module in a process of its own, and
the tests that run its line judge it, quickest first, until one fails. The same sample comes up for the same seed. What
survives is printed, and said to be without a reason where it does not stand in `survivors.md`; what is equivalent
by that list, so that no test could notice it, is not counted. The faults of `known_faults.py` must all be noticed.
The checkout is never changed.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import hashlib
import importlib
import importlib.abc
import importlib.util
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, ModuleType

import pytest
from known_faults import KNOWN

ROOT = Path(__file__).parents[2]
MODULES = (
    "statistics/sampling.py", "statistics/skewed.py", "statistics/two_samples.py",
    "statistics/lognormal.py", "statistics/robust.py", "specimens/sizes.py", "specimens/largest.py",
    "specimens/unfolding.py", "specimens/in_space.py", "specimens/class_data.py", "specimens/quantities.py",
    "specimens/summary.py", "comparison/sides.py", "comparison/joint.py", "comparison/coupons.py",
    "geometry/runs.py", "geometry/outlines.py", "geometry/regions.py", "measures/intercepts.py",
    "measures/orientation.py", "measures/spectrum.py", "measures/banding.py", "measures/neighbours.py",
)  # fmt: skip
TESTS = (
    "tests/statistics", "tests/specimens", "tests/comparison", "tests/geometry", "tests/measures/test_shapes_known.py",
    "tests/measures/test_measure.py", "tests/measures/test_intercepts.py", "tests/measures/test_orientation.py",
    "tests/measures/test_angle_uncertainty.py", "tests/measures/test_pooled_direction.py",
    "tests/measures/test_banding.py", "tests/measures/test_neighbours.py", "tests/measures/test_placement.py",
    "tests/measures/test_outline_length.py",
    "tests/measures/test_regions.py", "tests/measures/test_waves.py", "tests/measures/test_invariance.py",
    "tests/segmentation/test_growth.py",
    "tests/scale/test_micrometer.py",
)  # fmt: skip
SLOW = ("few_carbides_raise_no_more", "general_extreme_values_refuse", "equal_specimens_seldom_raise")
"""Tests that take longer than all others together; they judge no mutant."""
HEAVY = ("numpy", "pandas", "cv2", "shapely", "SimpleITK", "skimage.measure", "statsmodels.stats.api",
         "scipy.stats", "scipy.optimize", "scipy.ndimage", "scipy.signal", "scipy.spatial")  # fmt: skip
"""Imported once, before a process forks; nothing of the package may be."""
SWAPS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt,
}  # fmt: skip
CALLS = {"sin": "cos", "cos": "sin", "log": "sqrt", "exp": "cosh", "hypot": "max", "min": "max", "max": "min"}
SECONDS_EACH = 60
"""Of processor time, so that a busy machine notices nothing by itself."""
SURVIVES, NOTICED, NOT_JUDGED = 0, 1, 7


@dataclass(frozen=True)
class Mutant:
    """A changed line: module, the line before, what was changed in it to what, the whole source, and lines it is on."""

    module: str
    line: int
    text: str
    change: str
    source: str

    @property
    def name(self) -> str:
        """As it stands in the list of survivors."""
        return f"`{self.module}` | `{self.text}` | `{self.change}`"


@dataclass(frozen=True)
class Learned:
    """Which tests run each line of a module, and how long each test took."""

    lines: dict[str, dict[str, list[str]]]
    seconds: dict[str, float]
    failed: list[str]

    def judges(self, module: str, line: int) -> list[list[str]]:
        """Return tests that run a line (of one that runs at the import, all that use the module), in lists of one file.

        First come the files that run most of the module in the least time; in a file, the quickest test.
        """
        lines = self.lines.get(module, {})
        # A statement over several lines counts by its first one.
        first = max((int(number) for number in lines if int(number) <= line), default=0)
        found = set(lines.get(str(line), lines.get(str(first), []))) or set().union(*lines.values())
        files: dict[str, list[str]] = {}
        for test in sorted(found, key=lambda test: self.seconds.get(test, 0.0)):
            files.setdefault(test.split("::")[0], []).append(test)
        reach = {path: sum(any(t.startswith(path) for t in tests) for tests in lines.values()) for path in files}
        cost = {path: 2.0 + sum(self.seconds.get(test, 0.0) for test in tests) for path, tests in files.items()}
        return [files[path] for path in sorted(files, key=lambda path: -reach[path] / cost[path])]


class Clock:
    """Plugin that tells coverage which test runs, and notes how long it takes."""

    def __init__(self, switch: Callable[[str], None]) -> None:
        self.switch = switch
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if not any(name in item.nodeid for name in SLOW)]

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.switch(item.nodeid)
        start = time.process_time()
        yield
        self.seconds[item.nodeid] = time.process_time() - start

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)


class Chosen:
    """Plugin that keeps some of the tests, in a given order."""

    def __init__(self, tests: Sequence[str]) -> None:
        self.place = {test: place for place, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid])


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module with another source."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self.name, self.path, self.code = name, path, code

    def find_spec(self, name: str, path: object = None, target: object = None) -> object:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(name, self.path, loader=self)  # type: ignore[arg-type]

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


def run_pytest(arguments: Sequence[str], plugin: object) -> int:
    """Run tests in this process, in silence."""
    options = ["-q", "-p", "no:cacheprovider", "-o", "addopts=", "--import-mode=importlib", "-m", "not study"]
    with (
        Path(os.devnull).open("w") as nowhere,
        contextlib.redirect_stdout(nowhere),
        contextlib.redirect_stderr(nowhere),
    ):
        return int(pytest.main([*options, *arguments], plugins=[plugin]))


def learn(tests: Sequence[str], into: Path) -> None:
    """Run all tests once, in this process, and keep what they run."""
    import coverage

    measured = coverage.Coverage(data_file=None, source=[str(ROOT / "micro")], config_file=False)
    measured.start()
    clock = Clock(lambda test: measured.switch_context(test))
    run_pytest(tests, clock)
    measured.stop()
    data = measured.get_data()
    found = {}
    for path in data.measured_files():
        lines = data.contexts_by_lineno(path)
        passed = {str(n): sorted(set(tests) - clock.failed - {""}) for n, tests in lines.items()}
        found[str(Path(path).relative_to(ROOT / "micro"))] = passed
    into.write_text(json.dumps({"lines": found, "seconds": clock.seconds, "failed": sorted(clock.failed)}))


def places(tree: ast.Module) -> Iterator[tuple[int, int, int]]:
    """Give number in the walk, line and column of everything that can be changed, texts and types aside."""
    ignored = _texts_and_types(tree)
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in ignored:
            continue
        operator = (isinstance(node, ast.BinOp) and type(node.op) in SWAPS) or (
            isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS
        )
        value = node.value if isinstance(node, ast.Constant) else None
        figure = isinstance(value, int | float) and value not in (True, False)
        sign = isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub)
        called = isinstance(node, ast.Call) and _called(node) in CALLS
        if isinstance(node, ast.expr) and (operator or figure or sign or called):
            yield number, node.lineno, node.col_offset


def _texts_and_types(tree: ast.Module) -> set[int]:
    """Return ids of the nodes that compute nothing."""
    ignored: list[ast.AST] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign | ast.arg) and node.annotation is not None:
            ignored.append(node.annotation)
        if isinstance(node, ast.FunctionDef):
            ignored += [*([node.returns] if node.returns is not None else []), *node.decorator_list]
        if isinstance(node, ast.JoinedStr):
            ignored.append(node)  # how a sentence writes a number
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript):
            ignored.append(node.value)  # a name for a type
    return {id(part) for node in ignored for part in ast.walk(node)}


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def changed(module: str, source: str, number: int) -> Mutant:
    """Return the mutant that has one node changed."""
    tree = copy.deepcopy(ast.parse(source))
    node = next(node for position, node in enumerate(ast.walk(tree)) if position == number)
    before = ast.unparse(node)
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
    line = node.lineno
    text = source.splitlines()[line - 1].strip()
    change = f"{before} → {ast.unparse(node)}" if len(before) < 80 else f"{type(node).__name__} in {before[:70]}…"
    return Mutant(module, line, text, f"{change} at {node.col_offset}", ast.unparse(ast.fix_missing_locations(tree)))


def sample(size: int, seed: int, only: str) -> list[Mutant]:
    """Return a sample of all mutants of these modules, that stays the same where their lines do."""
    found = []
    for module in (m for m in MODULES if only in m):
        source = (ROOT / "micro" / module).read_text(encoding="utf-8")
        lines = source.splitlines()
        for number, line, column in places(ast.parse(source)):
            place = f"{seed} {module} {lines[line - 1].strip()} {column}"
            found.append((hashlib.sha256(place.encode()).hexdigest(), module, source, number))
    return [changed(module, source, number) for _, module, source, number in sorted(found)[:size]]


def known() -> list[Mutant]:
    """Return the faults that were once put in and seen by no test."""
    found = []
    for module, before, after in KNOWN:
        source = (ROOT / "micro" / module).read_text(encoding="utf-8")
        if source.count(before) != 1:
            raise SystemExit(f"known_faults.py: {before!r} is not once in {module}; bring it up to date")
        line = source[: source.index(before)].count("\n") + 1
        found.append(Mutant(module, line, before, f"{before} → {after}", source.replace(before, after)))
    return found


def judge(mutant: Mutant, files: Sequence[Sequence[str]]) -> None:
    """Run in a forked process and end it with SURVIVES, NOTICED, or NOT_JUDGED where the tests did not run."""
    signal.setitimer(signal.ITIMER_PROF, SECONDS_EACH)  # too long a run counts as noticed
    path = ROOT / "micro" / mutant.module
    name = ".".join(("micro", *Path(mutant.module).with_suffix("").parts)).removesuffix(".__init__")
    try:
        sys.meta_path.insert(0, Changed(name, path, compile(mutant.source, str(path), "exec")))
        for tests in files:
            status = run_pytest(["-x", tests[0].split("::")[0]], Chosen(tests))
            # Failed, or not even imported: noticed. Anything else (no test found, wrong use) judges nothing.
            if status:
                os._exit(NOTICED if status in (1, 2) else NOT_JUDGED)
        os._exit(SURVIVES)
    finally:
        os._exit(NOT_JUDGED)


def verdicts(mutants: Sequence[Mutant], learned: Learned, workers: int) -> list[bool]:
    """Whether each mutant is noticed; so many at a time."""
    noticed = [False] * len(mutants)
    running: dict[int, int] = {}
    waiting = list(enumerate(mutants))[::-1]
    while waiting or running:
        while waiting and len(running) < workers:
            number, mutant = waiting.pop()
            tests = learned.judges(mutant.module, mutant.line)
            if not tests:
                print(f"run by no test: {mutant.name} (line {mutant.line})", flush=True)
                continue
            child = os.fork()
            if not child:
                judge(mutant, tests)
            running[child] = number
        if running:
            child, status = os.wait()
            number = running.pop(child)
            if os.waitstatus_to_exitcode(status) == NOT_JUDGED:
                raise SystemExit(f"the tests did not run on {mutants[number].name}")
            noticed[number] = status != SURVIVES
            if not noticed[number]:
                print(f"survives: {mutants[number].name} (line {mutants[number].line})", flush=True)
            elif sum(noticed) % 10 == 0:
                print(f"{sum(noticed)} noticed", flush=True)
    return noticed


def known_lines(keep: Path) -> Learned:
    """Return what the tests run, learned in a process of its own where the file is not there."""
    if not keep.exists():
        child = os.fork()
        if not child:
            learn(TESTS, keep)
            os._exit(0)
        os.waitpid(child, 0)
    return Learned(**json.loads(keep.read_text(encoding="utf-8")))


def reasons() -> dict[str, str]:
    """Names of the survivors that stand in writing, and why; "equivalent: …" where no test could notice them."""
    path = Path(__file__).with_name("survivors.md")
    rows = (line.strip("| \n").split(" | ") for line in path.read_text(encoding="utf-8").splitlines())
    return {" | ".join(row[:-1]): row[-1] for row in rows if len(row) > 3}


def main() -> int:
    """Run the sample; 1 where fewer mutants than the floor, or not all known faults, were noticed."""
    words = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    words.add_argument("--sample", type=int, default=150)
    words.add_argument("--seed", type=int, default=19)
    words.add_argument("--floor", type=float, default=0.85, help="share that must be noticed")
    words.add_argument("--workers", type=int, default=2)
    words.add_argument("--only", default="", help="modules whose path holds this text")
    words.add_argument("--map", type=Path, help="keep here what the tests run, and use it where it is there")
    given = words.parse_args()
    os.chdir(ROOT)
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    os.environ.pop("PYTEST_ADDOPTS", None)
    for name in HEAVY:
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as scratch:
        learned = known_lines(given.map or Path(scratch) / "lines.json")
    if not learned.seconds:
        raise SystemExit("no test ran: nothing can be judged")
    print(*(f"fails without any fault: {test}" for test in learned.failed), sep="\n")
    old = [] if given.only else known()
    mutants = [*old, *sample(given.sample, given.seed, given.only)]
    noticed = verdicts(mutants, learned, given.workers)
    alive = [m for m, found in zip(mutants[len(old) :], noticed[len(old) :], strict=True) if not found]
    unseen = [m for m, found in zip(old, noticed, strict=False) if not found]
    written = reasons()
    bare = [m for m in alive if m.name not in written]
    for title, those in (("known fault that no test notices", unseen), ("survivor without a reason", bare)):
        print(*(f"{title}: {m.name} (line {m.line})" for m in those), sep="\n")
    same = [m for m in alive if written.get(m.name, "").startswith("equivalent")]
    judged, seen = len(mutants) - len(old) - len(same), len(mutants) - len(old) - len(alive)
    print(f"{seen} of {judged} mutants noticed ({100 * seen / max(judged, 1):.0f} %), {len(same)} more are equivalent; "
          f"{len(alive) - len(bare)} of {len(alive)} survivors with a reason")  # fmt: skip
    print(f"{len(old) - len(unseen)} of {len(old)} known faults noticed")
    held = not unseen and not learned.failed
    return 0 if held and judged and seen >= given.floor * judged else 1


if __name__ == "__main__":
    sys.exit(main())
