"""The house keeps its order: imports point only up the list, and start-up stays light."""

import ast
import subprocess
import sys
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "micro"
ROOMS = (
    "errors", "address", "carbides", "processes", "issue_kinds", "issues", "tables", "results", "owned", "statistics",
    "geometry", "scale", "image", "phantom", "segmentation", "taught", "measures", "specimens", "pictures", "figures",
    "review", "field", "study", "points", "comparison", "batch", "analysis", "report", "atlas", "run", "preload", "cli",
)  # fmt: skip
# A room may use only these of the rooms above it.
NARROWED = {"phantom": {"scale", "image", "errors", "results"}}


def room_of(module: str) -> str:
    return module.split(".")[1] if module.count(".") else ""


def imports_of(path: Path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("micro"):
            if node.module == "micro":
                yield from (
                    alias.name
                    for alias in node.names
                    if (PACKAGE / alias.name).exists() or (PACKAGE / f"{alias.name}.py").exists()
                )
            else:
                yield room_of(node.module)
        elif isinstance(node, ast.Import):
            yield from (room_of(a.name) for a in node.names if a.name.startswith("micro."))


def test_every_room_is_on_the_list():
    found = {p.stem for p in PACKAGE.iterdir() if not p.name.startswith(("__", "py.typed"))}
    assert found - set(ROOMS) == set()


def test_imports_point_only_up_the_list():
    """Data flows one way: a room never imports a room below it, not even inside a function."""
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        relative = path.relative_to(PACKAGE)
        room = relative.parts[0].removesuffix(".py")
        if room.startswith("__"):
            continue
        allowed = NARROWED.get(room, set(ROOMS[: ROOMS.index(room)])) | {room, ""}
        wrong += [f"{relative} imports {other}" for other in imports_of(path) if other not in allowed]
    assert wrong == []


def test_help_loads_no_heavy_library():
    """`micro --help` answers at once because it loads none of the numeric libraries."""
    code = "import sys, micro.cli; print(sorted({'numpy', 'pandas', 'cv2', 'scipy', 'matplotlib'} & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
