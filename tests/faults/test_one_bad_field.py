"""One bad field never ends a run: it is named in one line, its fault written in full, and the others measured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from small_pictures import png

import micro
from micro import results
from micro.errors import MicroError

ARGUMENTS = ("--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out", "out")


@pytest.fixture
def pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Give three small invented pictures in the working folder."""
    monkeypatch.chdir(tmp_path)
    for number in (1, 2, 3):
        Path(f"a{number}.png").write_bytes(png(number))
    return ["a1.png", "a2.png", "a3.png"]


def test_any_fault_in_a_field_is_the_fields(
    pictures: list[str], run_micro: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is raised while one is measured: status 1, one line, the traceback in failures.txt, then gone again."""
    from micro import field

    measure = field.measure_segmented

    def break_on_a2(micrograph, *given):
        if micrograph.name == "a2":
            raise ValueError("no\nsuch thing " + "x" * 9999)
        return measure(micrograph, *given)

    with monkeypatch.context() as broken:
        broken.setattr(field, "measure_segmented", break_on_a2)
        status, told, said = run_micro("measure", *pictures, *ARGUMENTS)
    assert status == 1
    assert "2 of 3 fields measured" in told
    assert "Traceback" not in said
    (line,) = [line for line in said.splitlines() if "a2.png" in line]
    assert "a fault of the program (ValueError: no" in line
    assert line.isprintable()
    assert len(line) < 500
    log = Path("out", results.FAILURES).read_text()
    assert "Traceback (most recent call last)" in log
    assert "break_on_a2" in log
    assert run_micro("measure", *pictures, *ARGUMENTS)[0] == 0
    assert not Path("out", results.FAILURES).exists()


def stripes(period: int, bright: int) -> np.ndarray:
    return np.tile(np.where(np.arange(240) % period < bright, 200, 80), (180, 1))


def checkerboard(side: int) -> np.ndarray:
    rows, columns = np.mgrid[:180, :240]
    return np.where((columns // side + rows // side) % 2, 200, 80)


def one_bright_pixel() -> np.ndarray:
    grey = np.full((180, 240), 80)
    grey[90, 120] = 255
    return grey


DRAWN = {
    **{f"stripes {period} {bright}": stripes(period, bright) for period in (2, 3, 5, 7, 11) for bright in (1, 2)},
    "stripes 7 3": stripes(7, 3),
    "stripes lying": stripes(7, 3)[:, :180].T,
    **{f"checkerboard {side}": checkerboard(side) for side in (1, 2, 7, 8)},
    "one bright pixel": one_bright_pixel(),
}


@pytest.mark.parametrize("name", DRAWN)
def test_a_drawn_pattern_is_measured_or_refused(name: str) -> None:
    """Patterns without noise, which no camera gives: an answer with an interval, or one line."""
    try:
        found = micro.measure(DRAWN[name].astype(np.uint8), um_per_px=0.2)
    except MicroError as refused:
        assert str(refused).isprintable()
    else:
        fraction = found.field["area_fraction"]
        assert (fraction.isna() | fraction.between(0, 1)).all()
