"""The summary at the top of the report: what was found, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from micro.answer import Answer
from micro.report.wording import figures, with_ends
from micro.study import Specimen, Study

if TYPE_CHECKING:
    import pandas as pd


def summary_sentences(study: Study, specimens: pd.DataFrame, answer: Answer) -> list[str]:
    """One sentence a specimen, then what the pairs, the coupons and the structure say."""
    said = [specimen_sentence(s, specimens[specimens["specimen"] == s.name]) for s in study.specimens]
    return said + answer_sentences(answer)


def answer_sentences(answer: Answer) -> list[str]:
    """Say what the pairs, the coupons and the structure tell, the main points only."""
    from micro.comparison import findings, structure_sentences

    said = [" ".join([pair.summary, *pair.differs[:2]]) for pair in findings(answer.comparison)]
    if answer.coupons is not None:
        said += [gap_sentence(row) for row in answer.coupons.ratios.to_dict("records")]
    if answer.structure is not None:
        said += structure_sentences(answer.structure)[-1:]
    return said


def specimen_sentence(specimen: Specimen, own: pd.DataFrame) -> str:
    """Say amount, size, elongation and direction of one specimen."""
    rows = own[own["carbide_class"] == "all"].drop_duplicates("quantity")
    if rows.empty:
        return f"{specimen.name}: no field was measured."
    ends = {str(r["quantity"]): (r["mean"], r["ci95_low"], r["ci95_high"]) for r in rows.to_dict("records")}

    def told(quantity: str, factor: float = 1.0) -> str:
        return with_ends(*(factor * float(end) for end in ends.get(quantity, (math.nan,) * 3)))

    route = f" ({specimen.route})" if specimen.route else ""
    words = f"{specimen.name}{route} holds {told('area_fraction', 100)} % carbide"
    if not ends["area_fraction"][0] > 0:
        return words + "."
    return (
        f"{words}; half of its carbides are smaller than {told('ecd_d50')} µm and the largest seen is "
        f"{figures(float(ends['largest_ecd'][0]), 0)} µm; length along over width across rolling is "
        f"{told('elongation_along_rolling')}, anisotropy index {told('anisotropy_index')}."
    )


def gap_sentence(row: dict[Any, Any]) -> str:
    """Say the transverse toughness ratio of one group."""
    ratio = with_ends(*(float(row[name]) for name in ("ratio", "ci95_low", "ci95_high")))
    return f"{row['group']}: transverse over longitudinal toughness {ratio}; {row['verdict']}."
