"""The study file (TOML), read with the line of whatever is wrong in it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from micro.address import Address, is_address, leads_elsewhere, matching
from micro.carbides import CarbideOverride, carbide_ranges
from micro.errors import UsageError
from micro.image.micrograph import Box, Crop
from micro.results import bytes_of
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study, cut_mosaics, name_fields, unique_stems

SETTINGS = {field.name for field in fields(SegmentationSettings)}
READING = {"crop_bottom_px", "page", "crop_px", "leave_out", "colour", "tone_curve"}
SAME_ROUTE = {"ingot-cast": "conventional", "powder-made": "powder-metallurgy"}
"""Earlier words for a route, which are still read."""
PICTURE_ENDINGS = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp")


def read_study(path: Path, allowed: Iterable[Path | Address] = ()) -> Study:
    """Read a study file (TOML).

    Parameters
    ----------
    path
        The file. Every path in it is relative to its folder and must stay in it.
    allowed
        More folders, and addresses, that the file may point into.

    Raises
    ------
    UsageError
        With the key and its line where a key is unknown, missing or of the wrong kind.
    """
    try:
        text = bytes_of(path).decode()
        table = tomllib.loads(text)
    except OSError as trouble:
        raise UsageError(path, f"cannot be read ({trouble.strerror})", "give the path of a study file") from None
    except UnicodeDecodeError:
        raise UsageError(path, "is not UTF-8 text", "save the study file as UTF-8") from None
    except (ValueError, RecursionError) as trouble:
        problem = f"is not valid TOML: {str(trouble)[:1].lower()}{str(trouble)[1:]}"
        raise UsageError(path, problem, "mend that line; texts stand in quotes, lists in brackets") from None
    return _StudyReader(path, text, (path.resolve().parent, *(a.resolve() for a in allowed))).study(table)


def _remedy(key: str, known: Sequence[str]) -> str:
    """Say which key was meant, or where it belongs; else which there are."""
    from micro.study.keys import KEYS_OF_SPECIMEN

    near = get_close_matches(key, known, 1)
    if near:
        return f"write {near[0]!r}"
    if key in KEYS_OF_SPECIMEN:
        return "it belongs above, before the tables in brackets that follow the specimen's own keys"
    return "known here: " + ", ".join(known)


class _StudyReader:
    """Turns the parsed tables into a Study; knows the text, so that a trouble names its line."""

    def __init__(self, path: Path, text: str, allowed: tuple[Path | Address, ...]) -> None:
        self.path, self.lines = path, text.splitlines()
        self.folders = [place for place in allowed if isinstance(place, Path)]
        self.addresses = [place for place in allowed if isinstance(place, Address)]

    def study(self, table: dict[str, Any]) -> Study:
        table = self.checked(table)
        specimens: list[Specimen] = []
        messages: list[str] = []
        for number, entry in enumerate(table["specimen"]):
            specimen, said = self.specimen(table, entry, [("specimen", number)])
            if specimen.name in [s.name for s in specimens]:
                self.fail([("specimen", number)], "name", f"{specimen.name!r} is given twice", "give each its own name")
            specimens.append(specimen)
            messages += said
        stems = iter(unique_stems([(s.name, f) for s in specimens for f in s.fields]))
        return Study(
            title=table.get("title", self.path.stem),
            specimens=tuple(replace(s, fields=tuple(next(stems) for _ in s.fields)) for s in specimens),
            identity="study file " + self.path.name,
            path=self.path,
            coupons=self.inside(table["coupons"], [], "coupons") if "coupons" in table else None,
            messages=tuple(messages),
            reference=self.reference(table, specimens),
            carbides=self.carbides(table),
        )

    def reference(self, table: dict[str, Any], specimens: list[Specimen]) -> str:
        name = table.get("reference", "")
        if name and name not in [s.name for s in specimens]:
            self.fail([], "reference", f"{name!r} is no specimen of this study", "name one of them")
        return str(name)

    def carbides(self, table: dict[str, Any]) -> tuple[CarbideOverride, ...]:
        given = table.get("carbide", [])
        names = [entry["name"] for entry in given]
        for number, name in enumerate(names):
            if name in names[:number]:
                self.fail([("carbide", number)], "name", f"{name!r} is given twice", "give each class once")
        overrides = [
            CarbideOverride(
                name=entry["name"],
                density_g_cm3=_ends(entry["density_g_cm3"]) if "density_g_cm3" in entry else None,
                contents={element: _ends(ends) for element, ends in entry.get("composition", {}).items()},
            )
            for entry in given
        ]
        for number, one in enumerate(overrides):
            try:
                carbide_ranges([one])
            except UsageError as trouble:
                self.fail([("carbide", number)], "name", trouble.problem, trouble.remedy)
        return tuple(overrides)

    def specimen(self, study: dict[str, Any], entry: dict[str, Any], where: list) -> tuple[Specimen, tuple[str, ...]]:
        from micro.study.keys import KEYS_OF_SPECIMEN

        given = {**study, **entry}
        for key in KEYS_OF_SPECIMEN & entry.get("composition", {}).keys():
            self.fail([*where, ("composition", 0)], key, "is no element of steel", _remedy(key, ()))
        if "um_per_px" in entry and "calibration" not in entry:
            given.pop("calibration", None)
        if "calibration" in given and "um_per_px" in given:
            self.fail(where, "um_per_px", "stands beside 'calibration'", "give one of the two")
        settings = self.settings(given, where)
        images, missing = self.images(entry["images"], where)
        reading = _reading(given)
        fields, messages = name_fields(entry["name"], images, settings, self.path.parent, **reading)
        fields = cut_mosaics(self.field_exceptions(entry, fields, given, where))
        specimen = Specimen(
            name=entry["name"],
            fields=fields,
            route=SAME_ROUTE.get(entry.get("route", ""), entry.get("route", "")),
            plane=entry.get("plane", ""),
            rolling_deg=given.get("rolling_deg"),
            calibration=self.inside(given["calibration"], where, "calibration") if "calibration" in given else None,
            um_per_px=given.get("um_per_px"),
            um_per_px_uncertainty=given.get("um_per_px_uncertainty"),
            steel=entry.get("steel", ""),
            heat_treatment=entry.get("heat_treatment", {}),
            binning=given.get("binning", 1),
            cropped=given.get("cropped", False),
            composition=entry.get("composition", {}),
            taught_by=tuple(self.inside(path, where, "taught_by") for path in given.get("taught_by", ())),
            outlines=given.get("outlines", "better"),
            review=tuple(self.inside(path, where, "review") for path in given.get("review", ())),
            detection=given.get("detection", False),
        )
        return specimen, (*missing, *messages)

    def settings(self, given: dict[str, Any], where: list) -> SegmentationSettings:
        classes = given.get("class", [])
        names = tuple(c["name"] for c in classes)
        if len(set(names)) < len(names) or "all" in names:
            self.fail(where, "class", "class names must differ and not be 'all'", "rename one")
        greys = tuple(c["grey"] for c in classes if "grey" in c)
        if greys and len(greys) < len(classes):
            self.fail(where, "class", "some classes give a grey and some do not", "give all or none")
        values = {k: given[k] for k in SETTINGS & given.keys()}
        return SegmentationSettings(class_names=names, class_greys=greys, **values)

    def field_exceptions(
        self, entry: dict[str, Any], fields: tuple[Field, ...], given: dict[str, Any], where: list
    ) -> tuple[Field, ...]:
        changed = list(fields)
        for number, exception in enumerate(entry.get("field", [])):
            place = [*where, ("field", number)]
            image = self.place(exception["image"], place, "image")
            hits = [i for i, f in enumerate(changed) if f.image.resolve() == image]
            if not hits:
                self.fail(place, "image", "is not among the specimen's images", "name one of them")
            settings = self.settings({**given, **exception}, place)
            reading = _reading(exception)
            changed[hits[0]] = replace(changed[hits[0]], settings=settings, **reading)
        return tuple(changed)

    def images(self, patterns: list[str], where: list) -> tuple[list[Path | Address], list[str]]:
        images: list[Path | Address] = []
        missing: list[str] = []
        for pattern in patterns:
            found = self.at_address(pattern, where) if is_address(pattern) else self.matches(pattern, where)
            if not found:
                missing.append(f"{self.path}: no picture matches {pattern!r}; correct the pattern or add the pictures")
            images += found
        if not images:
            self.fail(where, "images", f"no picture matches {', '.join(patterns)}", "correct the pattern")
        return list(dict.fromkeys(images)), missing

    def matches(self, pattern: str, where: list) -> list[Path]:
        self.inside(re.split(r"[*?\[]", pattern)[0] or ".", where, "images")
        folder = self.path.parent
        exact = folder / pattern
        if exact.is_file() or not re.search(r"[*?\[]", pattern):
            self.inside(pattern, where, "images")
            return [exact]
        try:
            found = sorted(p for p in folder.glob(pattern) if p.is_file())
        except (ValueError, NotImplementedError):
            self.fail(where, "images", f"{pattern!r} is not a usable pattern", "use names, * and ?")
        found = [p for p in found if p.suffix.lower() in PICTURE_ENDINGS or p.suffix == exact.suffix]
        for image in found:
            self.inside(str(image.relative_to(folder)), where, "images")
        return found

    def at_address(self, pattern: str, where: list) -> Sequence[Address]:
        address = self.allowed_address(pattern, where, "images")
        try:
            found = matching(address)
        except OSError as trouble:
            problem = f"{pattern!r} cannot be looked through ({trouble.strerror})"
            self.fail(where, "images", problem, "mend that, or copy the pictures here")
        return found if found == [address] else [one for one in found if one.suffix.lower() in PICTURE_ENDINGS]

    def place(self, value: str, where: list, key: str) -> Path | Address:
        return self.allowed_address(value, where, key) if is_address(value) else self.inside(value, where, key)

    def allowed_address(self, value: str, where: list, key: str) -> Address:
        """Address, refused unless the command line names its beginning: a study file shall reach nothing by itself."""
        if leads_elsewhere(value) or not any(f"{value}/".startswith(f"{a.rstrip('/')}/") for a in self.addresses):
            self.fail(where, key, f"{value!r} is an address that was not allowed", "give its beginning by --allow")
        return Address(value)

    def inside(self, value: str, where: list, key: str) -> Path:
        """Absolute path, refused where it leaves the folders that the study may read."""
        try:
            path = (self.path.parent / value).resolve()
        except (OSError, RuntimeError):
            self.fail(where, key, f"{value!r} is not a usable path", "give a plain path")
        if not any(path.is_relative_to(folder) for folder in self.folders):
            self.fail(where, key, f"{value!r} lies outside the study's folder", "move it there, or allow it by --allow")
        return path

    def checked(self, table: dict[str, Any]) -> dict[str, Any]:
        """Hold the file to the keys of `micro.study.keys`; the first trouble in it is told."""
        from pydantic import ValidationError

        from micro.study.keys import STUDY_FILE

        if table.get("specimen") in (None, []):
            raise UsageError(self.path, "holds no specimen", "add a [[specimen]] with name and images")
        try:
            return dict(STUDY_FILE.validate_python(table))
        except ValidationError as trouble:
            found = [(*_place(error["loc"]), error) for error in trouble.errors(include_url=False)]
            where, key, words, known, error = min(found, key=lambda one: self.line_of(one[0], one[1]))
            if error["type"] == "missing":
                self.fail(where, "", f"key '{key}' is missing", "add it")
            if error["type"] == "extra_forbidden":
                self.fail(where, key, "unknown key", _remedy(key, known))
            self.fail(where, key, f"must be {words}, got {error['input']!r:.60}", "correct it")

    def fail(self, where: list, key: str, problem: str, remedy: str) -> NoReturn:
        place = f"{self.path} line {self.line_of(where, key)}"
        raise UsageError(place, f"key '{key}': {problem}" if key else problem, remedy)

    def line_of(self, where: list, key: str) -> int:
        """Line of `key` in the table at `where`, a list of (table name, number); the table's own line without a key."""
        dotted, first = "", 0
        for name, number in where:
            dotted = f"{dotted}.{name}" if dotted else name
            header = re.compile(r"\s*\[\[?\s*" + re.escape(dotted) + r"\s*\]\]?")
            hits = [i for i, line in enumerate(self.lines) if i >= first and header.match(line)]
            first = hits[min(number, len(hits) - 1)] if hits else first
        if key:
            assignment = re.compile(r"""\s*(\[\[?\s*[\w.]*)?["']?""" + re.escape(key) + r"""["']?\s*(=|\.|\])""")
            for i in range(first, len(self.lines)):
                if assignment.match(self.lines[i]):
                    return i + 1
        return first + 1


def _ends(values: list[float]) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _reading(given: dict[str, Any]) -> dict[str, Any]:
    """How a picture is read, as a Field holds it; of the two keys for cutting the one that stands here counts."""
    reading = {k: given[k] for k in READING & given.keys()}
    if "crop_px" in reading:
        reading["crop_px"] = Crop(**reading["crop_px"])
    elif "crop_bottom_px" in reading:
        reading["crop_px"] = None
    if "leave_out" in reading:
        reading["leave_out"] = tuple(Box(**box) for box in reading["leave_out"])
    return reading


def _place(loc: tuple[int | str, ...]) -> tuple[list[tuple[str, int]], str, str, list[str]]:
    """Tables about the key that `loc` leads to, the key, what it must be, and the keys known beside it."""
    from micro.study.keys import study_schema

    whole = study_schema()
    where: list[tuple[str, int]] = []
    key, schema = "", whole
    for number, part in enumerate(loc):
        if isinstance(part, int):
            # An item that is no table has no line of its own: the list is at fault.
            if "$ref" not in schema["items"] or number + 1 == len(loc):
                break
            where.append((key, part))
            key, schema = "", whole["$defs"][schema["items"]["$ref"].split("/")[-1]]
        else:
            where += [(key, 0)] if key else []
            key, known = part, schema.get("properties", {})
            schema = known.get(part) or schema.get("additionalProperties") or {}
            if "$ref" in schema:
                schema = {**whole["$defs"][schema["$ref"].split("/")[-1]], **schema}
    return where, key, schema.get("title") or schema.get("description", ""), list(known)
