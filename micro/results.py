"""The results folder: its names, tables in and out, nothing half written."""

from __future__ import annotations

import contextlib
import csv
import errno
import hashlib
import importlib.util
import io
import json
import math
import os
import re
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from io import BufferedReader
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

from micro.address import Address
from micro.errors import InputError, UsageError, naming
from micro.processes import give_back_memory
from micro.tables.columns import FIELDS as FIELD_COLUMNS
from micro.tables.columns import PARTICLES as PARTICLE_COLUMNS
from micro.tables.columns import SPECIMENS as SPECIMEN_COLUMNS

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

PARTICLES, FIELDS, SPECIMENS = "particles.csv", "fields.csv", "specimens.csv"
PROFILES, COMPARISON, CHEMISTRY = "profiles.csv", "comparison.csv", "chemistry.csv"
COUPONS, RATIOS, GROUP_RATIOS = "coupons.csv", "transverse_ratios.csv", "group_ratios.csv"
STRUCTURE, MATRIX, SIZES = "structure.csv", "matrix.csv", "sizes.csv"
COUPONS_USED = "coupons_used.csv"
ATLAS_PAGE, ATLAS, SERIES, CORRELATIONS = "atlas.html", "atlas.csv", "series.csv", "correlations.csv"
POINTS, COUNTERS, TALLIES = "points.csv", "counters.csv", "tallies"
TAUGHT = "taught"
DETECTION, DETECTION_RECORD = "detection.csv", "detection.json"
MOSAICS = "mosaics.csv"
PARQUET = {"particles": "particles.parquet", "fields": "fields.parquet", "specimens": "specimens.parquet"}
LABELS, OUTLINES, PARTS = "labels", "outlines", "parts"
REVIEW_PAGE, REVIEW_FOLDER = "review.html", "review"
REPORT, RECORD, FAILURES = "report.html", "run.json", "failures.txt"
FIGURES = "figures"
OWNER, LOCK = "study.json", ".lock"
TEMPORARY = ".unfinished-"
RECORD_DIGEST = "record_sha256"
NOT_AS_LEFT, RUN_AGAIN = "is not as the run left it", "run the study again"
LARGE_BYTES = 50_000_000
AT_ONCE = 8
"""Files that are put on the disk at a time: more than a field has, so that they share what the disk is waited for."""
ROWS_AT_ONCE = 250_000
"""Of a table that is read: some 50 MB of text (chosen)."""
ROWS_IN_FULL = 2_000_000
"""Up to so many rows every number is kept as it was read; of longer tables columns that only sums are taken of may be
kept in half the size, true to 6e-8 (chosen; what the summary reads of so many carbides takes 110 MB)."""
MOST_TEXT_BYTES, MOST_RECORD_BYTES = 100_000_000, 2_000_000_000
"""A study file, a calibration, a tally; chosen, far above any that people write; a record holds 3 kB a field."""
FORMULA_STARTS = ("=", "+", "-", "@", "\t")
# A carriage return ends a line for some readers, quoted or not.
RETURN, RETURN_SPELLED = "\r", "\\r"
BACKSLASHED = re.compile(r"\\(\\|r)")


def ordinary_file(path: Path | Address) -> io.BytesIO | BufferedReader:
    """Open a file for reading that is an ordinary one: a pipe would hold the program, a device need not end.

    What lies at an address is fetched whole.

    Raises
    ------
    OSError
        Also where it is none.
    """
    if isinstance(path, Address):
        return io.BytesIO(path.fetched())
    # Without O_NONBLOCK a pipe would already hold the program here.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    mode = os.fstat(handle).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(handle, "rb")
    os.close(handle)
    raise OSError(errno.EINVAL, "is a folder" if stat.S_ISDIR(mode) else "is no ordinary file", str(path))


def bytes_of(path: Path, most: int = MOST_TEXT_BYTES) -> bytes:
    """Read an ordinary file of text as a whole.

    Raises
    ------
    OSError
        Also where it is no ordinary file, or larger than `most` bytes.
    """
    with ordinary_file(path) as stream:
        content = stream.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EFBIG, f"is larger than {most // 10**6} MB", str(path))
    return content


def hash_of_file(path: Path | Address) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal; OSError where it is no ordinary file."""
    with ordinary_file(path) as stream:
        return hash_of_stream(stream)


def hash_or_none(path: Path | Address) -> str | None:
    """Return the SHA-256 of a file's bytes; None where it is no file that can be read, or no file can have its name."""
    try:
        return hash_of_file(path)
    except (OSError, ValueError):
        return None


def hash_of_stream(stream: io.BytesIO | BufferedReader, asked_again: bool = False) -> str:
    """Return the SHA-256 of all bytes of an open file, in hexadecimal.

    Parameters
    ----------
    asked_again
        The same file will be asked for next, as by the parts of a mosaic; so it is with every large one.
    """
    stream.seek(0)
    if isinstance(stream, io.BytesIO):
        return hashlib.sha256(stream.getbuffer()).hexdigest()
    state = os.fstat(stream.fileno())
    if state.st_size <= LARGE_BYTES and not asked_again:
        return hashlib.file_digest(cast("io.BufferedReader", stream), "sha256").hexdigest()
    key = (state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns)
    if key not in _known_hashes:
        _known_hashes.clear()
        _known_hashes[key] = hashlib.file_digest(cast("io.BufferedReader", stream), "sha256").hexdigest()
    return _known_hashes[key]


_known_hashes: dict[tuple[int, ...], str] = {}


@contextlib.contextmanager
def whole_file(path: Path, wait: bool = True) -> Iterator[IO[bytes]]:
    """Open a file that appears under its name only when it is whole, and on the disk where that is waited for."""
    with naming(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(TEMPORARY + os.urandom(4).hex())
        stream = temporary.open("xb")
        try:
            with stream:
                yield stream
                stream.flush()
                if wait:
                    os.fsync(stream.fileno())
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise


@contextlib.contextmanager
def on_disk() -> Iterator[Callable[[Collection[Path]], None]]:
    """Give what puts whole files on the disk beside other work, several at a time; all are there when the block ends.

    Each file alone, waited for where it is made, takes a worker a fifth of its time.
    """
    from concurrent.futures import Future, ThreadPoolExecutor

    def put(path: Path) -> None:
        with naming(path), path.open("rb+") as stream:
            os.fsync(stream.fileno())

    begun: list[Future[None]] = []
    with ThreadPoolExecutor(AT_ONCE) as threads:

        def begin(paths: Collection[Path]) -> None:
            begun[:] = [one for one in begun if not one.done() or one.result()]
            begun.extend(threads.submit(put, path) for path in paths)

        yield begin
    for one in begun:
        one.result()


def write_json(path: Path, content: Any, wait: bool = True) -> None:
    """Write JSON, whole or not at all: null for unknown numbers, and what UTF-8 cannot hold as JSON's own escapes."""
    with whole_file(path, wait) as stream:
        text = json.dumps(_nulled(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        stream.write(text.encode(errors="backslashreplace"))


def _nulled(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _nulled(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_nulled(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def read_json(path: Path) -> Any:
    """Read what `write_json` wrote, NaN for null and tuples for lists; OSError or ValueError where it cannot be."""
    try:
        return _filled(json.loads(path.read_text(encoding="utf8")))
    except RecursionError:
        raise ValueError("is nested too deeply") from None


def _filled(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _filled(one) for name, one in value.items()}
    if isinstance(value, list):
        return tuple(_filled(one) for one in value)
    return math.nan if value is None else value


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a CSV file, whole or not at all; text that a spreadsheet would run as a formula gets an apostrophe."""
    with whole_file(path) as stream:
        stream.write(table_bytes(table))


def table_bytes(table: pd.DataFrame) -> bytes:
    """CSV of a table: UTF-8, point as decimal sign, nine figures, nothing for unknown."""
    import numpy as np

    from micro.tables.figures import HIGHEST, NOTHING, WIDTH, figures

    many = len(table.columns)
    head = ",".join(_quoted(str(name), many) for name in table.columns)
    columns = [column for _, column in table.items()]
    values = {
        place: column.to_numpy(float)
        for place, column in enumerate(columns)
        if column.dtype.kind == "f" or (column.dtype.kind in "iu" and column.abs().max() < 10**HIGHEST)
    }
    # All of them at once: a row of a few hundred columns takes no longer than a column of as many rows.
    written = figures(np.ravel([*values.values()])).reshape(len(values), len(table), WIDTH)
    numbers = dict(zip(values, written, strict=True))
    parts = []
    for place, column in enumerate(columns):
        parts.append(numbers[place] if place in numbers else _texts(column, many))
        parts.append(np.full((len(table), 1), ord("," if place < many - 1 else "\n"), np.uint8))
    return head.encode() + b"\n" + np.concatenate(parts, axis=1).tobytes().translate(None, bytes([NOTHING]))


def _texts(column: pd.Series, columns: int) -> NDArray[np.uint8]:
    """(rows, width) bytes of a column of text or whole numbers in a row of so many cells, NOTHING after their ends."""
    import numpy as np

    from micro.tables.figures import padded

    texts = ["" if value is None or value != value else str(value) for value in column.tolist()]
    different = list(dict.fromkeys(texts))
    whole = column.dtype.kind in "iub"  # also where they are too large for nine figures
    known = [(text if whole else _quoted(guarded(text), columns)).encode() for text in different]
    cells = padded(known, max(map(len, known), default=0))
    place = dict(zip(different, range(len(different)), strict=True))
    number = np.fromiter(map(place.__getitem__, texts), np.intp, len(texts))
    return cells.take(number, axis=0)


def _quoted(text: str, columns: int) -> str:
    """Text as a cell of a row of so many; a lone empty one would look like no row."""
    if text.isalnum() or (not text and columns > 1):
        return text
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerow([text])
    return stream.getvalue()[:-1]


def require_parquet() -> None:
    """Check that Parquet can be written; UsageError where its library is not installed."""
    if importlib.util.find_spec("pyarrow") is None:
        raise UsageError("--parquet", "pyarrow is not installed", 'in the checkout: pip install ".[parquet]"')


def write_parquet(folder: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write the tables that `PARQUET` names, each whole or not at all.

    Those in `tables` with all their figures; that of the carbides part by part from its CSV, a row group a part, so
    that it need not fit into memory.

    Raises
    ------
    UsageError
        Where pyarrow is not installed.
    """
    require_parquet()
    for name, file in PARQUET.items():
        with whole_file(folder / file) as stream:
            if name in tables:
                tables[name].to_parquet(stream, engine="pyarrow", index=False)
            else:
                _write_parts(stream, folder / f"{name}.csv")


def _write_parts(stream: IO[bytes], path: Path) -> None:
    """Write the table of the carbides as Parquet, part by part."""
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    kinds = {column.name: column.dtype for column in PARTICLE_COLUMNS}
    arrow = {"str": pa.string(), "int64": pa.int64(), "float64": pa.float64()}
    schema = pa.schema([(name, arrow[kind]) for name, kind in kinds.items()])
    with ParquetWriter(stream, schema) as writer:
        for part in table_parts(path, list(kinds)):
            whole = part[list(kinds)].astype(kinds)
            writer.write_table(pa.Table.from_pandas(whole, schema, preserve_index=False))


def read_table(
    path: Path, columns: list[str], repetitive: bool = False, keep: Callable[[pd.DataFrame], pd.Series] | None = None,
    narrow: Collection[str] = (),
) -> pd.DataFrame:  # fmt: skip
    """Read columns of a CSV file of a results folder, so many rows at a time that only what is kept takes memory.

    Parameters
    ----------
    repetitive
        Texts become categories, which take less memory where few are different.
    keep
        Which rows of a part of the table are wanted, (rows,) bool; all unless given.
    narrow
        Columns that are kept in single precision where there are more than ROWS_IN_FULL rows.

    Raises
    ------
    InputError
        Where the file is missing, damaged, or lacks one of `columns`.
    """
    return _joined(table_parts(path, columns, repetitive, keep), narrow)


def table_parts(
    path: Path, columns: list[str], repetitive: bool = False, keep: Callable[[pd.DataFrame], pd.Series] | None = None
) -> Iterator[pd.DataFrame]:
    """Parts of a table in their order, as `read_table` joins them; at least one, be it empty."""
    import pandas as pd

    # A specimen called 007 stays one; a column without any text stays text.
    texts = {c.name: "str" for c in (*PARTICLE_COLUMNS, *FIELD_COLUMNS, *SPECIMEN_COLUMNS) if c.dtype == "str"}
    try:
        with pd.read_csv(
            path, usecols=lambda name: name in columns, keep_default_na=False,
            na_values={name: [""] for name in columns if name not in texts}, dtype=texts, chunksize=ROWS_AT_ONCE,
        ) as blocks:  # fmt: skip
            for block in blocks:
                yield _kept(_checked(block, path, columns), repetitive, keep)
    except FileNotFoundError:
        raise InputError(path, "is missing", RUN_AGAIN) from None
    except (OSError, ValueError) as trouble:
        raise InputError(path, f"cannot be read as a table ({str(trouble).strip()[:80]})", RUN_AGAIN) from None


def _checked(block: pd.DataFrame, path: Path, columns: list[str]) -> pd.DataFrame:
    """Return a part of a table; InputError where it lacks a column."""
    missing = [name for name in columns if name not in block.columns]
    if missing:
        raise InputError(path, f"lacks the column {missing[0]}", RUN_AGAIN)
    return block


def _kept(block: pd.DataFrame, repetitive: bool, keep: Callable[[pd.DataFrame], pd.Series] | None) -> pd.DataFrame:
    """Rows that are wanted of a part of a table, its texts without their guards."""
    if keep is not None:
        block = block[keep(block)]
    for name in block.columns:
        text = block[name]
        if text.dtype.kind in "fiub":
            continue
        # Nearly every table has neither guards nor cells that are not text: nothing is made anew.
        if text.dtype != "str" or text.hasnans or any(t.startswith("'") or RETURN_SPELLED in t for t in text.unique()):
            block[name] = text = _unguarded(text)
        if repetitive:
            block[name] = text.astype("category")
    return block


def _joined(parts: Iterable[pd.DataFrame], narrow: Collection[str]) -> pd.DataFrame:
    """Join the parts of a table, one column in memory twice at a time."""
    import numpy as np
    import pandas as pd

    columns: dict[str, list[Any]] = {}
    rows = 0
    for part in parts:
        rows += len(part)
        for name, column in part.items():
            # Of its own: a column that lies in a part beside others would hold all of them in memory.
            own = column.to_numpy(copy=True) if column.dtype.kind in "fiub" else column
            columns.setdefault(str(name), []).append(own)
            if rows > ROWS_IN_FULL and name in narrow:
                columns[str(name)] = [np.asarray(one, np.float32) for one in columns[str(name)]]
    joined = {}
    for name in list(columns):
        joined[name] = _one_column(columns.pop(name))
        give_back_memory()
    return pd.DataFrame(joined, copy=False)


def _one_column(parts: list[Any]) -> Any:
    """Join the parts of a column, arrays of numbers or series of text."""
    import numpy as np
    import pandas as pd
    from pandas.api.types import union_categoricals

    if {part.dtype.kind for part in parts} <= set("fiub"):
        return np.concatenate(parts)
    # A part without any text was taken for numbers.
    some = next(part.dtype for part in parts if part.dtype.kind not in "fiub")
    texts = [p if p.dtype.kind not in "fiub" else pd.Series("", range(len(p)), "str").astype(some) for p in parts]
    if len(texts) > 1 and isinstance(some, pd.CategoricalDtype):
        return union_categoricals(texts, sort_categories=True)
    return pd.concat(texts, ignore_index=True)


def _unguarded(text: pd.Series) -> pd.Series:
    """Texts of a column without their guards; each different one is looked at once."""
    import pandas as pd

    known = text.astype("category").cat
    plain = [without_guard(str(t)) for t in known.categories]
    # Unknown has the code -1, the last of the list.
    return pd.Series([*plain, ""], dtype="str").take(known.codes.to_numpy()).set_axis(text.index)


def guarded(text: str) -> str:
    """Text as it stands in a cell, so that no spreadsheet runs it and no reader breaks the line.

    A carriage return is spelled backslash and r; in text with either, each backslash is doubled. What would then be run
    as a formula, or has only apostrophes before that, gets one more. `without_guard` turns each back into what it was.
    """
    if RETURN in text or RETURN_SPELLED in text:
        text = text.replace("\\", "\\\\").replace(RETURN, RETURN_SPELLED)
    return f"'{text}" if text.lstrip("'").startswith(FORMULA_STARTS) else text


def without_guard(text: str) -> str:
    """Text of a cell as it was before `guarded`."""
    if text.startswith("'") and text.lstrip("'").startswith(FORMULA_STARTS):
        text = text[1:]
    if RETURN_SPELLED not in text:
        return text
    return BACKSLASHED.sub(lambda found: RETURN if found[1] == "r" else found[1], text)


def read_record(folder: Path, as_left: bool = True) -> dict[str, Any]:
    """Read run.json of a results folder.

    Parameters
    ----------
    as_left
        Refuse one that was changed since its run ended.

    Raises
    ------
    InputError
        Where it is missing, damaged, changed, or of a run that has not ended.
    """
    path = folder / RECORD
    if _marker(folder).get("finished") is False:  # its tables may be of two minds
        raise InputError(folder, "a run in this folder has not ended", "run the same command again")
    try:
        record = json.loads(bytes_of(path, MOST_RECORD_BYTES))
    except FileNotFoundError:
        raise InputError(path, "is missing", "give the folder of a finished run") from None
    except (OSError, ValueError, RecursionError) as trouble:
        raise InputError(path, f"cannot be read ({trouble})", RUN_AGAIN) from None
    if not isinstance(record, dict):
        raise InputError(path, "is not a record of a run", RUN_AGAIN)
    if as_left and record_changed(folder):
        raise InputError(path, NOT_AS_LEFT, RUN_AGAIN)
    return record


def record_changed(folder: Path) -> bool:
    """Whether run.json is another than the marker of the folder says; False where there is no marker that does."""
    digest = _marker(folder).get(RECORD_DIGEST)
    return digest is not None and digest != hash_of_file(folder / RECORD)


def check_as_left(folder: Path, recorded: object, names: Iterable[str]) -> None:
    """Refuse files of a results folder that are not as their run left them.

    Parameters
    ----------
    recorded
        SHA-256 by name, as run.json has it.
    names
        Files that will be read, and must be there.

    Raises
    ------
    InputError
        With the first that is missing or was changed.
    """
    if not isinstance(recorded, Mapping):
        return  # by other means than a run: nothing says what it was
    for name in names:
        try:
            changed = hash_of_file(folder / name) != recorded.get(name)
        except FileNotFoundError:
            raise InputError(folder / name, "is missing", RUN_AGAIN) from None
        except OSError as trouble:
            raise InputError(folder / name, f"cannot be read ({trouble.strerror})", RUN_AGAIN) from None
        if changed:
            raise InputError(folder / name, NOT_AS_LEFT, RUN_AGAIN)


def _marker(folder: Path) -> dict[str, Any]:
    """Read the marker; an empty one for a folder of an earlier version, whose record says whether it can be read."""
    try:
        marker = json.loads(bytes_of(folder / OWNER))
    except (OSError, ValueError, RecursionError):
        return {}
    return marker if isinstance(marker, dict) else {}


def field_files(stem: str) -> tuple[str, ...]:
    """Names of all files of one field, its record first."""
    parts = tuple(f"{PARTS}/{stem}/{name}" for name in (RECORD, PARTICLES, FIELDS, PROFILES))
    return (*parts, f"{LABELS}/{stem}.tif", f"{OUTLINES}/{stem}.png", left_out_file(stem))


def left_out_file(stem: str) -> str:
    """Name of the picture of what was left out of a field: white there, black elsewhere."""
    return f"{PARTS}/{stem}/left_out.png"


def remove_field(folder: Path, stem: str) -> None:
    """Remove all files of one field, its record first, so that nothing half removed looks whole."""
    for name in field_files(stem):
        (folder / name).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        (folder / PARTS / stem).rmdir()
