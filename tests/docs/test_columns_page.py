"""The page of columns is the code's own word."""

import importlib.util
from pathlib import Path

from micro.tables import columns

DOCS = Path(__file__).parents[2] / "docs"


def writer():
    spec = importlib.util.spec_from_file_location("write_tables", DOCS / "write_tables.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_columns_page_is_what_the_code_says():
    """After a change of columns: `python docs/write_tables.py`."""
    assert (DOCS / "columns.md").read_text(encoding="utf-8") == writer().page()


def test_every_declared_table_is_on_the_page():
    declared = {
        id(value)
        for value in vars(columns).values()
        if isinstance(value, tuple) and isinstance(value[0], columns.Column)
    }
    assert declared == {id(table) for _, _, table in writer().FILES}
