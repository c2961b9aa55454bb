"""Section of the report on a review: acts of each kind, on which fields, and area fraction with and without them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from micro.batch.job import Outcome
from micro.measures.within_field import WITHIN
from micro.report.page import PageSection, PageTable
from micro.report.wording import by_quantity, figures, listed, with_ends, with_ends_of
from micro.review.acts import acts_in_words
from micro.specimens.summary import area_fraction_of
from micro.study.model import Study

if TYPE_CHECKING:
    import pandas as pd

METHOD = (
    "A person looked at outlines in the browser and changed them. The acts are applied after the segmentation and "
    "before anything is measured. A carbide that is cut or joined keeps its area, pieces share it by their pixels; a "
    "drawn one has the area inside what was drawn.",
)
SELECTION = "fields left out after seeing the result can bias it"
COLUMNS = ("field", "by", "acts", "area fraction before, %", "after, %")


def review_sections(study: Study, outcomes: Sequence[Outcome], tables: dict[str, pd.DataFrame]) -> list[PageSection]:
    """Parts of the report on the review; none where nobody reviewed a field."""
    if not any(o.reviewed for o in outcomes):
        return []
    said = review_sentences(study, outcomes, tables["specimens"], tables["fields"])
    rows = [_cells(o, tables["fields"]) for o in outcomes if o.reviewed]
    table = PageTable("Field by field", COLUMNS, rows, "Stale acts were not applied; What to distrust names them.")
    return [PageSection("review", "Review by a person", METHOD, (), [("In words", said)], (), [table], folded=False)]


def review_sentences(
    study: Study, outcomes: Sequence[Outcome], specimens: pd.DataFrame, fields: pd.DataFrame
) -> list[str]:
    """Say what was done to each specimen, what it changed, and which fields were left out."""
    lines: list[str] = []
    for specimen in study.specimens:
        own = [o for o in outcomes if o.specimen == specimen.name]
        met = [o for o in own if o.reviewed is not None and o.reviewed.acts]
        if met:
            lines.append(f"{specimen.name}: {_done(met, len(own))} {_moved(own, specimens, fields)}")
        rejected = [o for o in own if o.rejected]
        if rejected:
            named = [f"{o.field} ({o.reviewed.rejected})" for o in rejected if o.reviewed]
            lines.append(
                f"{specimen.name}: {len(rejected)} of {len(own)} fields left out by the review, {'; '.join(named)}: "
                f"{SELECTION}."
            )
    return lines


def _done(met: Sequence[Outcome], fields: int) -> str:
    """Who did how many acts of each kind, on which fields."""
    acts: Counter[str] = Counter()
    for outcome in met:
        acts.update(outcome.reviewed.acts if outcome.reviewed else {})
    who = ", ".join(dict.fromkeys(name for o in met if o.reviewed for name in o.reviewed.who))
    changed = [o.field for o in met if o.reviewed and o.reviewed.changed]
    done = f"{acts_in_words(acts)} on {listed(changed, 5)}" if changed else "no outline changed"
    return f"reviewed by {who}, {len(met)} of {fields} fields: {done}."


def _moved(own: Sequence[Outcome], specimens: pd.DataFrame, fields: pd.DataFrame) -> str:
    """Area fraction of a specimen with the acts, and without."""
    name = own[0].specimen
    now = with_ends_of(by_quantity(specimens, name).get("area_fraction", {}), factor=100)
    before = area_fraction_of(_before(own, fields[fields["specimen"] == name]))
    then = with_ends(*(100 * value for value in (before.estimate.value, *before.interval)))
    return f"Area fraction with the review {now} %, without it {then} %."


def _before(own: Sequence[Outcome], fields: pd.DataFrame) -> pd.DataFrame:
    """Rows "all" of a specimen's fields as the program found them, rejected fields among them."""
    import pandas as pd

    rows: dict[str, dict[str, Any]] = {
        str(row["field"]): {str(key): value for key, value in row.items()}
        for row in fields[fields["carbide_class"] == "all"].to_dict("records")
    }
    nothing: dict[str, Any] = {str(name): float("nan") for name in fields.columns}
    for outcome in own:
        told = outcome.reviewed
        if told is None or told.analysed_area_um2_before is None:
            continue
        rows[outcome.field] = rows.get(outcome.field, nothing) | {
            "specimen": outcome.specimen, "field": outcome.field, "carbide_class": "all",
            "area_fraction": told.area_fraction_before, "area_fraction_low": told.area_fraction_low_before,
            "area_fraction_high": told.area_fraction_high_before,
            "analysed_area_um2": told.analysed_area_um2_before,
            WITHIN["area_fraction"]: told.area_fraction_within_before,
        }  # fmt: skip
    table = pd.DataFrame(list(rows.values()), columns=fields.columns)
    numbers = ["area_fraction", "area_fraction_low", "area_fraction_high", "analysed_area_um2", WITHIN["area_fraction"]]
    return table.assign(**{name: table[name].astype(float) for name in numbers})


def _cells(outcome: Outcome, fields: pd.DataFrame) -> tuple[str, ...]:
    told = outcome.reviewed
    assert told is not None
    place = f"{outcome.specimen} {outcome.field}"
    row = fields[
        (fields["specimen"] == outcome.specimen) & (fields["field"] == outcome.field)
        & (fields["carbide_class"] == "all")
    ]  # fmt: skip
    before = told.area_fraction_before
    after = "left out" if told.rejected else figures(100 * float(row["area_fraction"].iloc[0]), 0) if len(row) else ""
    done = acts_in_words(told.acts) or ("accepted" if told.acts.get("accept") else "")
    if told.rejected:
        done = f"rejected: {told.rejected}"
    if told.stale:
        done = "; ".join(filter(None, (done, f"{sum(one.acts for one in told.stale)} stale")))
    return place, ", ".join(told.who), done, "unknown" if before is None else figures(100 * before, 0), after
