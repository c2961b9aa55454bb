"""Two small pictures, for tests of what happens to a run."""

from pathlib import Path

import pytest
from small_pictures import png


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with two small invented pictures."""
    for number in (1, 2):
        (tmp_path / f"a{number}.png").write_bytes(png(number))
    return tmp_path
