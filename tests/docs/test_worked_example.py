"""The worked example: its commands run as they stand on the page, and print what stands there."""

import re
import shlex
import shutil
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).parents[2] / "docs"
PAGE = (ROOT / "worked-example.md").read_text(encoding="utf8")
COMMANDS = [line for block in re.findall(r"```bash\n(.*?)```", PAGE, re.S) for line in block.splitlines()]
PRINTED = re.findall(r"```text\n(.*?)```", PAGE, re.S)


def test_every_file_that_the_page_shows_is_there():
    assert len(COMMANDS) == 9
    assert all((ROOT / name).is_file() for name in re.findall(r"\]\((worked-example/[^)]+)\)", PAGE))


@pytest.mark.study
def test_the_page_holds_what_its_commands_print(tmp_path, monkeypatch, run_micro):
    """Twenty-four fields, two reports and an atlas."""
    for name in ("new.toml", "new.csv", "old.toml", "old.csv"):
        shutil.copy(ROOT / "worked-example" / name, tmp_path)
    monkeypatch.chdir(tmp_path)
    said = ""
    for command in COMMANDS:
        program, *arguments = shlex.split(command)
        assert program == "micro"
        status, told, _ = run_micro(*arguments)
        assert status == 0
        said += told
    plain = " ".join(said.split())
    assert [" ".join(block.split()) in plain for block in PRINTED] == [True] * len(PRINTED)
    rows = pd.read_csv("new/specimens.csv").query("carbide_class == 'all'").set_index(["specimen", "quantity"])
    for bar, *numbers in re.findall(r"^\| ([PQ]) \| ([\d.]+) \(([\d.]+) to ([\d.]+)\) \| ([\d.]+) \|$", PAGE, re.M):
        found = rows.loc[(bar, "band_contrast"), ["mean", "ci95_low", "ci95_high"]].tolist()
        found.append(rows.loc[(bar, "band_contrast_at_random"), "mean"])
        assert [float(n) for n in numbers] == pytest.approx(found, abs=0.0006)
    pairs = pd.read_csv("new/comparison.csv").query("carbide_class == 'all'").set_index("quantity")
    pair = pairs.loc["banding_beyond_random"]
    assert (pair["verdict"], round(pair["p_value"], 3), round(pair["p_joint"], 2)) == ("cannot tell", 0.078, 0.39)
    assert rows.loc[("P", "banded_fields_share"), "mean"] == 1
    assert rows.loc[("Q", "banded_fields_share"), "mean"] == 0
