"""The study file (TOML), read with the line of whatever is wrong in it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from micro.errors import UsageError
from micro.scale.scale import PLAUSIBLE_UM_PER_PX
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study, cut_mosaics, name_fields, unique_stems

ROUTES = ("ingot-cast", "powder-made")
OUTLINES = ("own", "taught", "better")
PLANES = ("longitudinal", "transverse", "planar")
Check = Callable[[Any], bool]
# Beyond any grey level, length or count; its square is still a number.
LARGEST = 1e15


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST


def _whole(value: Any) -> bool:
    return isinstance(value, int) and _number(value)


def percent(value: Any) -> bool:
    """Tell whether it is a number from 0 to 100."""
    return _number(value) and 0 <= value <= 100


def _one_of(choices: tuple[str, ...]) -> tuple[str, Check]:
    return "one of " + ", ".join(choices), lambda v: v in choices


NAME = ("text of 1 to 80 printable characters", lambda v: isinstance(v, str) and v.isprintable() and 0 < len(v) <= 80)
PATH = ("a path within the study's folder", lambda v: isinstance(v, str) and v != "" and "\0" not in v)
UM_PER_PX = (
    "a number of µm from {:g} to {:g}".format(*PLAUSIBLE_UM_PER_PX),
    lambda v: _number(v) and PLAUSIBLE_UM_PER_PX[0] <= v <= PLAUSIBLE_UM_PER_PX[1],
)
NOT_NEGATIVE = ("a number, 0 or more", lambda v: _number(v) and v >= 0)
AT_LEAST_ONE = ("a whole number, 1 or more", lambda v: _whole(v) and v >= 1)
COUNT = ("a whole number, 0 or more", lambda v: _whole(v) and v >= 0)
TABLE = ("a table", lambda v: isinstance(v, dict))
TABLES = ("a list of tables ([[...]])", lambda v: isinstance(v, list) and all(isinstance(t, dict) for t in v))
NUMBER = ("a number", _number)

READING = {
    "calibration": PATH,
    "um_per_px": UM_PER_PX,
    "binning": AT_LEAST_ONE,
    "rolling_deg": ("a number from 0 to 180", lambda v: _number(v) and 0 <= v <= 180),
    "crop_bottom_px": COUNT,
    "page": AT_LEAST_ONE,
}
SEGMENTING = {
    "carbides": _one_of(("auto", "bright", "dark")),
    "matrix_grey": NUMBER,
    "threshold_grey": NUMBER,
    "blur_px": NOT_NEGATIVE,
    "min_area_px": NOT_NEGATIVE,
    "class": TABLES,
}
TEACHING = {
    "taught_by": ("a list of paths of tallies", lambda v: bool(v) and _texts(v)),
    "outlines": _one_of(OUTLINES),
}
KEYS: dict[str, dict[str, tuple[str, Check]]] = {
    "study": {"title": NAME, **READING, **SEGMENTING, **TEACHING, "specimen": TABLES, "coupons": PATH},
    "specimen": {
        "name": NAME,
        "route": _one_of(ROUTES),
        "plane": _one_of(PLANES),
        "images": ("a list of picture paths or patterns", lambda v: bool(v) and _texts(v)),
        **READING,
        **SEGMENTING,
        **TEACHING,
        "composition": TABLE,
        "field": TABLES,
    },
    "class": {"name": NAME, "grey": NUMBER},
    "field": {"image": PATH, "crop_bottom_px": COUNT, "page": AT_LEAST_ONE, **SEGMENTING},
}


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) and v and "\0" not in v for v in value)


PICTURE_ENDINGS = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp")


def read_study(path: Path, allowed: Iterable[Path] = ()) -> Study:
    """Read a study file (TOML).

    Parameters
    ----------
    path
        The file. Every path in it is relative to its folder and must stay in it.
    allowed
        More folders that the file may point into.

    Raises
    ------
    UsageError
        With the key and its line where a key is unknown, missing or of the wrong kind.
    """
    try:
        text = path.read_bytes().decode()
        table = tomllib.loads(text)
    except OSError as trouble:
        raise UsageError(path, f"cannot be read ({trouble.strerror})", "give the path of a study file") from None
    except UnicodeDecodeError:
        raise UsageError(path, "is not UTF-8 text", "save the study file as UTF-8") from None
    except (ValueError, RecursionError) as trouble:
        raise UsageError(path, f"is not valid TOML ({trouble})", "mend that line") from None
    folders = (path.resolve().parent, *(Path(a).resolve() for a in allowed))
    return _StudyReader(path, text, folders).study(table)


class _StudyReader:
    """Turns the parsed tables into a Study; knows the text, so that a trouble names its line."""

    def __init__(self, path: Path, text: str, folders: tuple[Path, ...]) -> None:
        self.path, self.lines, self.folders = path, text.splitlines(), folders

    def study(self, table: dict[str, Any]) -> Study:
        self.check(table, "study", [])
        if not table.get("specimen"):
            raise UsageError(self.path, "holds no specimen", "add a [[specimen]] with name and images")
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
        )

    def specimen(self, study: dict[str, Any], entry: dict[str, Any], where: list) -> tuple[Specimen, tuple[str, ...]]:
        self.check(entry, "specimen", where)
        for key in ("name", "images"):
            if key not in entry:
                self.fail(where, "", f"key '{key}' is missing", "add it")
        given = {**{k: v for k, v in study.items() if k in (READING | SEGMENTING | TEACHING)}, **entry}
        if "um_per_px" in entry and "calibration" not in entry:
            given.pop("calibration", None)
        if "calibration" in given and "um_per_px" in given:
            self.fail(where, "um_per_px", "stands beside 'calibration'", "give one of the two")
        settings = self.settings(given, where)
        images, missing = self.images(entry["images"], where)
        reading = {k: given[k] for k in ("crop_bottom_px", "page") if k in given}
        fields, messages = name_fields(entry["name"], images, settings, self.path.parent, **reading)
        fields = cut_mosaics(self.field_exceptions(entry, fields, given, where))
        composition = entry.get("composition", {})
        for element, amount in composition.items():
            if not percent(amount):
                self.fail([*where, ("composition", 0)], element, f"{amount!r} is not a wt %", "give 0 to 100")
        specimen = Specimen(
            name=entry["name"],
            fields=fields,
            route=entry.get("route", ""),
            plane=entry.get("plane", ""),
            rolling_deg=given.get("rolling_deg"),
            calibration=self.inside(given["calibration"], where, "calibration") if "calibration" in given else None,
            um_per_px=given.get("um_per_px"),
            binning=given.get("binning", 1),
            composition={k: float(v) for k, v in composition.items()},
            taught_by=tuple(self.inside(path, where, "taught_by") for path in given.get("taught_by", ())),
            outlines=given.get("outlines", "better"),
        )
        return specimen, (*missing, *messages)

    def settings(self, given: dict[str, Any], where: list) -> SegmentationSettings:
        values = {k: given[k] for k in SEGMENTING if k in given and k != "class"}
        for number, entry in enumerate(given.get("class", [])):
            self.check(entry, "class", [*where, ("class", number)])
            if "name" not in entry:
                self.fail([*where, ("class", number)], "", "key 'name' is missing", "name the carbide class")
        classes = given.get("class", [])
        names = tuple(c["name"] for c in classes)
        if len(set(names)) < len(names) or "all" in names:
            self.fail(where, "class", "class names must differ and not be 'all'", "rename one")
        greys = tuple(float(c["grey"]) for c in classes if "grey" in c)
        if greys and len(greys) < len(classes):
            self.fail(where, "class", "some classes give a grey and some do not", "give all or none")
        return SegmentationSettings(class_names=names, class_greys=greys, **values)

    def field_exceptions(
        self, entry: dict[str, Any], fields: tuple[Field, ...], given: dict[str, Any], where: list
    ) -> tuple[Field, ...]:
        changed = list(fields)
        for number, exception in enumerate(entry.get("field", [])):
            place = [*where, ("field", number)]
            self.check(exception, "field", place)
            image = self.inside(exception.get("image", "."), place, "image")
            hits = [i for i, f in enumerate(changed) if f.image.resolve() == image]
            if not hits:
                self.fail(place, "image", "is not among the specimen's images", "name one of them")
            settings = self.settings({**given, **exception}, place)
            reading = {k: exception[k] for k in ("crop_bottom_px", "page") if k in exception}
            changed[hits[0]] = replace(changed[hits[0]], settings=settings, **reading)
        return tuple(changed)

    def images(self, patterns: list[str], where: list) -> tuple[list[Path], list[str]]:
        images: list[Path] = []
        missing: list[str] = []
        for pattern in patterns:
            found = self.matches(pattern, where)
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
            return [exact]
        try:
            found = sorted(p for p in folder.glob(pattern) if p.is_file())
        except (ValueError, NotImplementedError):
            self.fail(where, "images", f"{pattern!r} is not a usable pattern", "use names, * and ?")
        found = [p for p in found if p.suffix.lower() in PICTURE_ENDINGS or p.suffix == exact.suffix]
        for image in found:
            self.inside(str(image.relative_to(folder)), where, "images")
        return found

    def inside(self, value: str, where: list, key: str) -> Path:
        """Absolute path, refused where it leaves the folders that the study may read."""
        try:
            path = (self.path.parent / value).resolve()
        except (OSError, RuntimeError):
            self.fail(where, key, f"{value!r} is not a usable path", "give a plain path")
        if not any(path.is_relative_to(folder) for folder in self.folders):
            self.fail(where, key, f"{value!r} lies outside the study's folder", "move it there, or allow it by --allow")
        return path

    def check(self, table: dict[str, Any], kind: str, where: list) -> None:
        for key, value in table.items():
            if key not in KEYS[kind]:
                self.fail(where, key, "unknown key", "known here: " + ", ".join(KEYS[kind]))
            wanted, holds = KEYS[kind][key]
            if not holds(value):
                self.fail(where, key, f"must be {wanted}, got {value!r:.60}", "correct it")

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
