"""What is loaded before the first picture is read: every field of a study, and the first answer, waits for it."""

import gc
import json
import subprocess
import sys

import pytest

from micro.cli.options import untouched_libraries

HEAVY = {"pandas", "scipy", "tifffile", "matplotlib", "jinja2", "sklearn", "skimage", "pydantic", "pyarrow"}
WATCHED = """
import json, sys
import micro.batch.fields as fields

def at_work(job):
    print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
    raise SystemExit(0)

fields.measure_one = at_work
from micro.cli import main
main(sys.argv[1:])
"""


def test_measure_loads_no_table_statistics_or_drawing_before_its_first_field(study_folder, tmp_path):
    """A picture is read by numpy and OpenCV; tables, statistics and figures load theirs when it is measured."""
    picture = next(study_folder.rglob("a1.*"))
    command = ["measure", str(picture), "--um-per-px", "0.2", "--workers", "1", "--out", str(tmp_path / "out")]
    ended = subprocess.run([sys.executable, "-c", WATCHED, *command], capture_output=True, text=True, check=False)
    loaded = set(json.loads(ended.stdout))
    assert "numpy" in loaded, ended.stderr
    assert not loaded & HEAVY


def test_a_process_that_only_draws_loads_no_tables():
    """A run of one field measures it itself: the process beside it needs what draws, which is not loaded twice."""
    code = "import sys, micro.preload.figures; print(*{name.partition('.')[0] for name in sys.modules})"
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(ended.stdout.split())
    assert "matplotlib" in loaded
    assert not loaded & (HEAVY - {"matplotlib"})


def test_figures_load_without_lists_of_settings_and_leave_them_to_others():
    """What makes those lists is itself again afterwards."""
    code = (
        "from micro.figures.style import load_library; load_library(); from matplotlib import artist, lines; "
        "print(artist.kwdoc(lines.Line2D).count(':'))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(ended.stdout) > 20


def test_python_clears_away_from_the_first_field_on_and_as_before_afterwards():
    """Nothing is looked for while libraries load, nothing is left out for good, be there a fault or none."""
    with untouched_libraries() as loaded:
        assert not gc.isenabled()
        loaded()
        assert gc.isenabled() and gc.get_freeze_count() > 0
    assert gc.isenabled() and gc.get_freeze_count() == 0
    with pytest.raises(OSError), untouched_libraries():
        raise OSError
    assert gc.isenabled()
