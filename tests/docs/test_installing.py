"""Every instruction installs this program, and no stranger's package that has its import name."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEXTS = [*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("samples/*.md"), *ROOT.glob("micro/**/*.py")]
FROM_HERE = re.compile(r"""pip install (-q |-e )*("?\.(\[[\w,]+\])?"?|dist/\S+)(?=[\s"'`,.)&]|$)""")
TOOLS = ("pre-commit", "dask-jobqueue")


def test_pip_installs_from_the_checkout_or_a_built_wheel():
    """The registry's package called like the import name is somebody else's."""
    found = [(path.name, line.strip()) for path in TEXTS for line in path.read_text(encoding="utf8").splitlines()
             if "pip install" in line]  # fmt: skip
    assert len(found) > 5
    others = [(name, line) for name, line in found if not FROM_HERE.search(line)]
    assert [line for _, line in others if not any(f"pip install {tool}" in line for tool in TOOLS)] == []


def test_the_distribution_has_a_name_of_its_own():
    """And the import package and the command are micro."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf8"))["project"]
    assert project["name"] == "micro-carbide"
    assert list(project["scripts"]) == ["micro"]


def test_the_lock_names_every_library_that_ci_needs():
    """A dependency added without writing .ci/requirements.lock anew would leave CI without it."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *(one for name, of in extras.items() if name != "codecs" for one in of)]
    lines = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf8").splitlines()
    locked = {plain(line.split("==")[0]) for line in lines if "==" in line}
    assert {plain(re.match(r"[\w.-]+", one)[0]) for one in wanted} <= locked


def plain(name):
    """Spell a name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()
