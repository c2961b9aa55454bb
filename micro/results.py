"""The results folder: its names, who may write in it, tables in and out, nothing half written."""

from __future__ import annotations

import contextlib
import csv
import functools
import hashlib
import importlib.util
import io
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from micro.errors import InputError, UsageError, writing
from micro.tables.columns import FIELDS as FIELD_COLUMNS
from micro.tables.columns import PARTICLES as PARTICLE_COLUMNS
from micro.tables.columns import SPECIMENS as SPECIMEN_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

PARTICLES, FIELDS, SPECIMENS = "particles.csv", "fields.csv", "specimens.csv"
PROFILES, COMPARISON, CHEMISTRY = "profiles.csv", "comparison.csv", "chemistry.csv"
COUPONS, RATIOS, GROUP_RATIOS = "coupons.csv", "transverse_ratios.csv", "group_ratios.csv"
STRUCTURE, SIZES = "structure.csv", "sizes.csv"
POINTS, COUNTERS, TALLIES = "points.csv", "counters.csv", "tallies"
PARQUET = {"particles": "particles.parquet", "fields": "fields.parquet", "specimens": "specimens.parquet"}
LABELS, OUTLINES, PARTS = "labels", "outlines", "parts"
REPORT, RECORD = "report.html", "run.json"
OWNER, LOCK = "study.json", ".lock"
TEMPORARY = ".unfinished-"
LARGE_BYTES = 50_000_000
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def hash_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    known = path.stat()
    # The parts of a mosaic ask one after the other for the hash of one large file.
    hashed = _hash_once if known.st_size > LARGE_BYTES else _hash_once.__wrapped__
    return hashed(path, known.st_size, known.st_mtime_ns)


@functools.lru_cache(maxsize=16)
def _hash_once(path: Path, size: int, changed_ns: int) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a file that appears under its name only when it is whole and on the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=TEMPORARY, dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_json(path: Path, content: Any) -> None:
    """Write JSON, whole or not at all."""
    with whole_file(path) as stream:
        stream.write((json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a CSV file, whole or not at all; text that a spreadsheet would run as a formula gets an apostrophe."""
    with whole_file(path) as stream:
        stream.write(table_bytes(table))


def table_bytes(table: pd.DataFrame) -> bytes:
    """CSV of a table: UTF-8, point as decimal sign, nine figures, nothing for unknown."""
    stream = io.StringIO()
    # Several times faster than pandas' own writer, to the same characters.
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(zip(*(_shown(table[name]) for name in table.columns), strict=True))
    return stream.getvalue().encode(errors="backslashreplace")


def _shown(column: pd.Series) -> list[object]:
    """Write each value of a column as it stands in a file."""
    values = column.tolist()
    if column.dtype.kind == "f":
        return ["" if value != value else f"{value:.9g}" for value in values]
    if column.dtype.kind in "iub":
        return values
    texts = ("" if value is None or value != value else str(value) for value in values)
    return [guarded(text) for text in texts]


def guarded(text: str) -> str:
    """Text of a cell, with an apostrophe before what a spreadsheet would run as a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def require_parquet() -> None:
    """Check that Parquet can be written; UsageError where its library is not installed."""
    if importlib.util.find_spec("pyarrow") is None:
        raise UsageError("--parquet", "pyarrow is not installed", 'pip install "micro[parquet]"')


def write_parquet(folder: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write the tables that `PARQUET` names with all their figures, each whole or not at all.

    Raises
    ------
    UsageError
        Where pyarrow is not installed.
    """
    require_parquet()
    for name, file in PARQUET.items():
        with whole_file(folder / file) as stream:
            tables[name].to_parquet(stream, engine="pyarrow", index=False)


def read_table(path: Path, columns: list[str], repetitive: bool = False) -> pd.DataFrame:
    """Read columns of a CSV file of a results folder.

    Parameters
    ----------
    columns
        Their names.
    repetitive
        Texts become categories, which take less memory where few are different.

    Raises
    ------
    InputError
        Where the file is missing, damaged, or lacks one of `columns`.
    """
    import pandas as pd

    remedy = "run the study again"
    # A specimen called 007 stays one; a column without any text stays text.
    texts = {c.name: "str" for c in (*PARTICLE_COLUMNS, *FIELD_COLUMNS, *SPECIMEN_COLUMNS) if c.dtype == "str"}
    try:
        table = pd.read_csv(
            path, usecols=lambda name: name in columns, keep_default_na=False,
            na_values={name: [""] for name in columns}, dtype=texts,
        )  # fmt: skip
    except FileNotFoundError:
        raise InputError(path, "is missing", remedy) from None
    except (OSError, ValueError) as trouble:
        raise InputError(path, f"cannot be read as a table ({str(trouble).strip()[:80]})", remedy) from None
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise InputError(path, f"lacks the column {missing[0]}", remedy)
    for name in table.columns:
        if table[name].dtype.kind not in "fiub":
            text = _unguarded(table[name])
            table[name] = text.astype("category") if repetitive else text
    return table


def _unguarded(text: pd.Series) -> pd.Series:
    """Texts of a column without their guards; each different one is looked at once."""
    import pandas as pd

    known = text.astype("category").cat
    plain = [without_guard(str(t)) for t in known.categories]
    # Unknown has the code -1, the last of the list.
    return pd.Series([*plain, ""], dtype="str").take(known.codes.to_numpy()).set_axis(text.index)


def without_guard(text: str) -> str:
    """Text of a cell without the apostrophe that `guarded` put before a formula."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text


def read_record(folder: Path) -> dict[str, Any]:
    """Read run.json of a results folder; InputError where it is missing or damaged."""
    path = folder / RECORD
    try:
        record = json.loads(path.read_text(encoding="utf8"))
    except FileNotFoundError:
        raise InputError(path, "is missing", "give the folder of a finished run") from None
    except (OSError, ValueError) as trouble:
        raise InputError(path, f"cannot be read ({trouble})", "run the study again") from None
    if not isinstance(record, dict):
        raise InputError(path, "is not a record of a run", "run the study again")
    return record


@contextlib.contextmanager
def claimed(folder: Path, identity: str) -> Iterator[None]:
    """Hold a results folder for one study while it is written.

    Raises
    ------
    UsageError
        Where the folder holds another study's results, another run is writing in it, or it cannot be written.
    """
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK).open("a")
    with lock:
        if not _locked(lock):
            raise UsageError(folder, "another run is writing here", "wait for it, or choose another --out")
        _check_links(folder)
        _check_owner(folder, identity)
        for name in ("", LABELS, OUTLINES):
            for left in (folder / name).glob(TEMPORARY + "*"):
                left.unlink(missing_ok=True)
        for left in (folder / PARTS).glob(f"*/{TEMPORARY}*"):
            left.unlink(missing_ok=True)
        yield


def remove_field(folder: Path, stem: str) -> None:
    """Remove all files of one field, its record first, so that nothing half removed looks whole."""
    part = folder / PARTS / stem
    (part / RECORD).unlink(missing_ok=True)
    for path in (folder / LABELS / f"{stem}.tif", folder / OUTLINES / f"{stem}.png"):
        path.unlink(missing_ok=True)
    shutil.rmtree(part, ignore_errors=True)


def _locked(lock: IO[str]) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _check_links(folder: Path) -> None:
    """Folders that are links would lead what is written out of the results folder."""
    for place in (folder, folder / PARTS):
        for entry in list(place.iterdir()) if place.is_dir() else ():
            if entry.is_symlink() and entry.is_dir():
                raise UsageError(entry, "is a link that leads out of the results folder", "remove it")


def _check_owner(folder: Path, identity: str) -> None:
    owner = folder / OWNER
    remedy = "choose another --out, or remove that folder"
    if owner.exists():
        try:
            held = json.loads(owner.read_text(encoding="utf8"))["results_of"]
        except (OSError, ValueError, KeyError, TypeError):
            raise UsageError(owner, "is damaged", remedy) from None
        if held != identity:
            raise UsageError(folder, f"holds the results of another study ({held})", remedy)
    elif any((folder / name).exists() for name in (PARTICLES, FIELDS, SPECIMENS, RECORD, REPORT, LABELS)):
        raise UsageError(folder, "holds results that this program cannot tell the origin of", remedy)
    else:
        write_json(owner, {"results_of": identity})
