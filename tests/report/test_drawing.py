"""Figures are the same bytes whoever draws them, and none is lost with a process."""

import os
import signal
from functools import partial

import pytest

from micro.report.page import drawers, drawing


def draw(axes, height):
    axes[0].plot([0, 1], [0, height])
    axes[0].set(xlabel="ECD, µm")


def draw_where(axes, here):
    """Draw in one process alone; the system ends any other."""
    if os.getpid() != here:
        os.kill(os.getpid(), signal.SIGKILL)
    draw(axes, 1)


def figures(folder, workers, *draws):
    with drawers(workers) as pool:
        save = drawing(folder, pool)
        saved = [save(f"f{n}", 1, 2.0, one, "caption", "words") for n, one in enumerate(draws)]
        svg = [figure.svg() for figure in saved]
    return svg, {path.name: path.read_bytes() for path in folder.iterdir()}


def test_other_processes_draw_the_same_bytes(tmp_path):
    draws = [partial(draw, height=height) for height in (1, 2, 3)]
    here, there = (figures(tmp_path / str(workers), workers, *draws) for workers in (1, 2))
    assert here == there
    assert sorted(here[1]) == [f"f{n}.{kind}" for n in range(3) for kind in ("png", "svg")]
    assert len(set(here[0])) == 3


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be refused")
def test_a_figure_is_drawn_here_where_the_system_ended_the_process(tmp_path):
    """All the figures are there, those begun after the end too."""
    draws = [partial(draw_where, here=os.getpid())] * 3
    svg, written = figures(tmp_path / "killed", 2, *draws)
    assert svg == figures(tmp_path / "here", 1, *draws)[0]
    assert len(written) == 6


def refused(axes):
    raise NotADirectoryError(20, "Not a directory", "figures")


def test_trouble_in_another_process_is_told(tmp_path):
    """What the disk refuses comes back as it was raised."""
    with pytest.raises(NotADirectoryError), drawers(2) as pool:
        drawing(tmp_path / "figures", pool)("f", 1, 2.0, refused, "caption", "words").svg()
