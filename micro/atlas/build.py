"""An atlas from results folders to the files it leaves."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from micro import results
from micro.atlas.bars import Atlas, read_atlas
from micro.atlas.figures import scatter_figures, series_figures
from micro.atlas.page import atlas_page
from micro.atlas.relations import correlations, sentences
from micro.atlas.series import series_table
from micro.errors import UsageError, writing
from micro.owned import Origin, claimed

READ = (results.RECORD, results.FIELDS, results.SPECIMENS, results.COUPONS, results.RATIOS, results.COUPONS_USED,
        results.MATRIX)  # fmt: skip


def build_atlas(folders: Sequence[Path], out: Path) -> tuple[Atlas, list[str]]:
    """Read the bars of all folders and write page, tables and figures; return them, and what the ranks say.

    Raises
    ------
    UsageError
        Where no folder holds a bar, or `out` is not the atlas of these folders, is in use, or cannot be written.
    """
    atlas = read_atlas(folders)
    if atlas.bars.empty:
        first = f" ({atlas.problems[0]})" if atlas.problems else ""
        raise UsageError("RESULTS", f"no bar can be used{first}", "give results folders of finished runs")
    ranks, series = correlations(atlas.bars), series_table(atlas)
    figures, lines = scatter_figures(atlas.bars), series_figures(series, atlas.bars)
    tables = {results.ATLAS: atlas.bars, results.SERIES: series, results.CORRELATIONS: ranks}
    written = {name: results.table_bytes(table) for name, table in tables.items() if len(table)}
    page = atlas_page(atlas, ranks, figures, lines, written).encode(errors="backslashreplace")
    written |= {f"{results.FIGURES}/{one.name}.svg": one.svg.encode() for one in (*figures, *lines)}
    written[results.ATLAS_PAGE] = page
    read = tuple(Path(folder) / name for folder in folders for name in READ)
    with claimed(out, Origin("atlas", tuple(map(Path, folders)), read), written), writing(out):
        for name, content in written.items():
            with results.whole_file(out / name) as stream:
                stream.write(content)
    return atlas, sentences(atlas.bars, ranks)
