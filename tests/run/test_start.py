"""What is loaded before the first picture is read: every field of a study, and the first answer, waits for it."""

import json
import subprocess
import sys

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
