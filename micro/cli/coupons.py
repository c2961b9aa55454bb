"""The command for toughness coupons."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from micro.comparison.coupons import CouponAnalysis


@click.command(name="coupons")
@click.argument("file", metavar="FILE.csv", type=click.Path(path_type=Path))
@click.option(
    "--gap-pct", default=10.0, show_default=True, type=click.FloatRange(0, 100, min_open=True, max_open=True),
    help="Gap between the directions that further test bars should be able to show, in %.",
)  # fmt: skip
@click.option("--by", multiple=True, metavar="COLUMN", help="Group by this heat-treatment column too; may be repeated.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write tables and figure to this folder.")
def command(file: Path, gap_pct: float, by: tuple[str, ...], out: Path | None) -> None:
    """Compare the toughness of the test bars (coupons) in FILE.csv, longitudinal against transverse.

    Columns: specimen, coupon, direction, toughness_J (or toughness_ft_lbf, toughness_J_per_cm2, K_Ic_MPa_sqrt_m and
    others), hardness_HRC (or HRA, HV, HB); every other column is a heat-treatment factor. ">300" is more than 300.
    """
    from micro.comparison.coupon_file import read_coupons
    from micro.comparison.coupon_words import CAUTIONS, coupon_sentences
    from micro.comparison.coupons import analyse_coupons
    from micro.errors import UsageError
    from micro.report.wording import wrapped

    coupons = read_coupons(file)
    for factor in by:
        if factor not in coupons.factors:
            known = ", ".join(coupons.factors) or "none"
            raise UsageError("--by", f"{factor!r} is not a heat-treatment column of {file}", f"columns there: {known}")
    for problem in coupons.problems:
        click.echo(problem, err=True)
    analysis = analyse_coupons(coupons, gap_pct, by)
    for sentence in (*coupon_sentences(analysis), *CAUTIONS):
        click.echo(wrapped(sentence))
    if out is not None:
        write(analysis, file, out)
    if coupons.problems:
        raise click.exceptions.Exit(1)


def write(analysis: CouponAnalysis, file: Path, out: Path) -> None:
    """Write the tables of a coupon file as CSV, and the figure as SVG and PNG."""
    from micro import results
    from micro.errors import writing
    from micro.figures.style import FORMATS, styled, write_figure
    from micro.owned import Origin, claimed
    from micro.report.study_figures import draw_coupons

    tables = {
        results.COUPONS: analysis.summary,
        results.RATIOS: analysis.ratios,
        results.GROUP_RATIOS: analysis.groups,
        results.COUPONS_USED: analysis.used,
    }
    figures = [f"coupons.{kind}" for kind in FORMATS]
    with claimed(out, Origin("coupons", (file,), (file,)), (*tables, *figures)), writing(out):
        for name, table in tables.items():
            results.write_table(out / name, table)
        with styled(1, 3.6) as (figure, axes):
            draw_coupons(axes, analysis)
            write_figure(figure, out, "coupons")
