"""run.json: what was measured, with which program and parameters, from which bytes."""

from __future__ import annotations

import dataclasses
import platform
from pathlib import Path
from typing import Any

from micro import results
from micro.batch.job import Outcome, library_versions
from micro.errors import InputError
from micro.image.micrograph import SubField
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study, safe_stem
from micro.study.reader import SEGMENTING

TABLES = (
    results.PARTICLES, results.FIELDS, results.PROFILES, results.SPECIMENS, results.COMPARISON, results.CHEMISTRY,
    results.COUPONS, results.RATIOS, results.GROUP_RATIOS, results.STRUCTURE, results.POINTS, results.COUNTERS,
    results.REPORT, *results.PARQUET.values(),
)  # fmt: skip


def run_record(study: Study, outcomes: tuple[Outcome, ...], out: Path, date: str, seconds: float) -> dict[str, Any]:
    """Content of run.json.

    Parameters
    ----------
    study, outcomes
        What was asked, and how each field ended, in the same order.
    out
        Results folder; the hashes of its tables are taken from it.
    date
        When the run ended, ISO 8601.
    seconds
        How long it took.
    """
    by_field = {(o.specimen, o.field): o for o in outcomes}
    return {
        "program": "micro",
        "date": date,
        "seconds": round(seconds, 3),
        "versions": library_versions(),
        "platform": {"system": platform.system(), "machine": platform.machine()},
        "study": {
            "title": study.title,
            "identity": study.identity,
            "file": _shown(study.path),
            "file_sha256": _hash(study.path),
            "coupons": _shown(study.coupons),
            "coupons_sha256": _hash(study.coupons),
        },
        "specimens": [_specimen(specimen, by_field) for specimen in study.specimens],
        "outputs": output_hashes(out),
    }


def output_hashes(out: Path) -> dict[str, str | None]:
    """SHA-256 of the tables of a whole study, and of its report, as they stand in the results folder."""
    return {name: _hash(out / name) for name in TABLES if (out / name).exists()}


def _specimen(specimen: Specimen, outcomes: dict[tuple[str, str], Outcome]) -> dict[str, Any]:
    return {
        "name": specimen.name,
        "route": specimen.route,
        "plane": specimen.plane,
        "rolling_deg": specimen.rolling_deg,
        "composition_wt_pct": dict(specimen.composition),
        "calibration": _shown(specimen.calibration),
        "calibration_sha256": _hash(specimen.calibration),
        "um_per_px": specimen.um_per_px,
        "binning": specimen.binning,
        "taught_by": {_shown(path): _hash(path) for path in specimen.taught_by},
        "outlines": specimen.outlines,
        "fields": [_field(f, outcomes[specimen.name, f.name]) for f in specimen.fields],
    }


def _field(field: Field, outcome: Outcome) -> dict[str, Any]:
    return {
        "name": field.name,
        "image": field.shown,
        "path": str(field.image.resolve()),
        "image_sha256": outcome.image_sha256 or None,
        "file": field.stem,
        "scale": outcome.scale_origin or None,
        "scale_relative_uncertainty": outcome.scale_relative_uncertainty,
        "parameters": parameters(field),
        "sub_field": None if field.sub_field is None else dataclasses.asdict(field.sub_field),
        "measured": not outcome.trouble,
        "trouble": outcome.trouble or None,
        "messages": list(outcome.messages),
        "seconds": round(outcome.seconds, 3),
        "outputs": outcome.outputs,
    }


def study_from_record(record: dict[str, Any], folder: Path) -> Study:
    """Return the study that a run.json tells of.

    Raises
    ------
    InputError
        Where the record lacks what is needed to measure again.
    """
    try:
        study = record["study"]
        return Study(
            title=study["title"],
            specimens=tuple(_recorded_specimen(specimen) for specimen in record["specimens"]),
            identity=study["identity"],
            path=_path(study["file"]),
            coupons=_path(study["coupons"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError):
        raise InputError(folder / results.RECORD, "is not a whole record of a run", "run the study again") from None


def outcomes_from_record(record: dict[str, Any], folder: Path) -> tuple[Outcome, ...]:
    """Return how each field of a run ended, from its run.json.

    Raises
    ------
    InputError
        Where the record is not whole.
    """
    try:
        return tuple(_outcome(s["name"], f) for s in record["specimens"] for f in s["fields"])
    except (KeyError, TypeError, AttributeError, ValueError):
        raise InputError(folder / results.RECORD, "is not a whole record of a run", "run the study again") from None


def _outcome(specimen: str, field: dict[str, Any]) -> Outcome:
    return Outcome(
        specimen=specimen,
        field=field["name"],
        stem=field["file"],
        image=field["image"],
        image_sha256=field["image_sha256"] or "",
        trouble=field["trouble"] or "",
        messages=tuple(field["messages"]),
        scale_origin=field["scale"] or "",
        scale_relative_uncertainty=field["scale_relative_uncertainty"],
        seconds=field["seconds"],
        outputs=field["outputs"],
    )


def _recorded_specimen(specimen: dict[str, Any]) -> Specimen:
    return Specimen(
        name=specimen["name"],
        fields=tuple(_recorded_field(field) for field in specimen["fields"]),
        route=specimen["route"],
        plane=specimen["plane"],
        rolling_deg=specimen["rolling_deg"],
        calibration=_path(specimen["calibration"]),
        um_per_px=specimen["um_per_px"],
        binning=specimen["binning"],
        composition=specimen["composition_wt_pct"],
        taught_by=tuple(Path(path) for path in specimen.get("taught_by", ())),
        outlines=specimen.get("outlines", "better"),
    )


def _recorded_field(field: dict[str, Any]) -> Field:
    values = {name: given["value"] for name, given in field["parameters"].items()}
    reading = {name: values.pop(name) for name in ("crop_bottom_px", "page")}
    values = {name: tuple(value) if isinstance(value, list) else value for name, value in values.items()}
    for name, value in values.items():
        if name in SEGMENTING and value is not None and not SEGMENTING[name][1](value):
            raise ValueError(f"{name} is {value!r}")
    settings = SegmentationSettings(**values)
    part = None if field["sub_field"] is None else SubField(**field["sub_field"])
    stem = safe_stem(field["file"])
    if stem != field["file"]:
        raise ValueError(f"{field['file']!r} is no name of a file")
    return Field(field["name"], Path(field["path"]), field["image"], stem, settings, sub_field=part, **reading)


def _path(text: str | None) -> Path | None:
    return None if text is None else Path(text)


def parameters(field: Field) -> dict[str, dict[str, Any]]:
    """Every parameter of a field with its origin: the program's default, or pinned by the user."""
    defaults = dataclasses.asdict(SegmentationSettings()) | {"crop_bottom_px": None, "page": None}
    given = dataclasses.asdict(field.settings) | {"crop_bottom_px": field.crop_bottom_px, "page": field.page}
    return {
        name: {"value": value, "origin": "default" if value == defaults[name] else "pinned"}
        for name, value in given.items()
    }


def _shown(path: Path | None) -> str | None:
    return None if path is None else str(path.resolve())


def _hash(path: Path | None) -> str | None:
    return results.hash_of_file(path) if path is not None and path.is_file() else None
