"""Tables as Parquet say what the CSV says, with all figures."""

import pandas as pd
import pytest
from click.testing import CliRunner

from micro import results
from micro.cli.measure import run
from micro.errors import UsageError
from micro.owned import own
from micro.run.study import run_study
from micro.study.reader import read_study


def test_parquet_holds_the_tables_of_the_csv(study_folder, results_folder):
    """Numbers agree to the nine figures of the CSV; what is unknown is missing in both; no file is left unhashed."""
    pytest.importorskip("pyarrow", reason="the extra parquet is not installed")
    run_study(read_study(study_folder / "study.toml"), results_folder, 1, lambda outcome: None, parquet=True)
    for name, file in results.PARQUET.items():
        stored = pd.read_parquet(results_folder / file)
        told = results.read_table(results_folder / f"{name}.csv", list(stored.columns))
        assert len(stored) > 0
        pd.testing.assert_frame_equal(stored, told, check_dtype=False, rtol=1e-8)
    assert set(results.PARQUET.values()) <= set(results.read_record(results_folder)["outputs"])


def test_the_table_of_the_carbides_is_written_part_by_part(study_folder, results_folder, monkeypatch):
    """A row group a part; the same rows as in one part, and as in the CSV."""
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra parquet is not installed")
    monkeypatch.setattr(results, "ROWS_AT_ONCE", 60)
    run_study(read_study(study_folder / "study.toml"), results_folder, 1, lambda outcome: None, parquet=True)
    file = results_folder / results.PARQUET["particles"]
    stored = pd.read_parquet(file)
    assert parquet.ParquetFile(file).num_row_groups == -(-len(stored) // 60) > 1
    told = results.read_table(results_folder / results.PARTICLES, list(stored.columns))
    pd.testing.assert_frame_equal(stored, told, check_dtype=False, rtol=1e-8)


def test_later_runs_keep_parquet_true(study_folder, results_folder):
    """A run without the option writes again what an earlier one left, so that the files never disagree."""
    pytest.importorskip("pyarrow", reason="the extra parquet is not installed")
    table = results_folder / results.PARQUET["specimens"]
    own(results_folder, [results.PARQUET["specimens"]])
    table.write_bytes(b"old")
    run_study(read_study(study_folder / "study.toml"), results_folder, 1, lambda outcome: None)
    assert len(pd.read_parquet(table)) > 0


def test_without_its_library_nothing_is_measured(study_folder, tmp_path, monkeypatch):
    """The refusal comes before the work, and says what to install."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    told = CliRunner().invoke(run, [str(study_folder / "study.toml"), "--out", str(tmp_path), "--parquet"])
    assert isinstance(told.exception, UsageError)
    assert "pyarrow is not installed" in str(told.exception)
    assert not list(tmp_path.iterdir())
