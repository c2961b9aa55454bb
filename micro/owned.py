"""Folders that the program writes: whose results they hold, and which files in them are the program's own.

A marker (study.json) says what the files follow from; a manifest (manifest.txt) lists them, each before it is written.
What is not on the list was put there by somebody else: it is never replaced and never removed.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from micro import results
from micro.errors import UsageError, naming, writing

MANIFEST = "manifest.txt"
FORMAT = 1
OTHER_FOLDER = "choose another --out"
LEADS_OUT = "is a link that leads out of the results folder"
# Ends as `results.whole_file` and `tempfile.mkstemp` make them.
UNFINISHED = re.compile(re.escape(results.TEMPORARY) + r"[a-z0-9_]{8}")
EARLIER, OWN = "earlier ", "own "
GROWING = ("pictures", "atlas")
"""Kinds whose folder may be written again from the same sources and more."""


@dataclass(frozen=True)
class Origin:
    """What the files of a folder follow from.

    Parameters
    ----------
    kind
        "study", "pictures", "comparison", "atlas", "coupons" or "counting sheet".
    sources
        Files or folders that tell one origin from another of its kind.
    inputs
        All that is read; none of it may be written over.
    """

    kind: str
    sources: tuple[Path, ...]
    inputs: tuple[Path, ...] = ()


@contextlib.contextmanager
def claimed(
    folder: Path, origin: Origin | None, names: Iterable[str] = (), inputs: Iterable[Path] = (), beside: bool = False
) -> Iterator[None]:
    """Hold a folder for one origin while it is written; what an earlier run wrote and this one did not is removed.

    Parameters
    ----------
    origin
        None: the folder's own, which must have one.
    names
        Files that will be written, relative to the folder, with slashes.
    inputs
        Files that are read, beside those of the origin.
    beside
        What is written changes nothing of what is there: all of that is kept, and a stop leaves it finished.

    Raises
    ------
    UsageError
        Where the folder holds other results or files of somebody else, another run is writing in it, an input would
        be written over, or it cannot be written. Nothing is changed then.
    """
    names = tuple(names)
    read = (*inputs, *(() if origin is None else origin.inputs))
    with writing(folder):
        _check(folder, origin, names, read)
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / results.LOCK).open("a")
    with lock:
        if not _locked(lock):
            raise UsageError(folder, "another run is writing here", f"wait for it, or {OTHER_FOLDER}")
        with writing(folder):
            held = _check(folder, origin, names, read)
            marker = held if origin is None else _marker(folder, origin)
            _mark(folder, marker, finished=beside)
            _sweep_unfinished(folder)
            _write(folder, dict.fromkeys(listed(folder), beside))
            own(folder, names)
        yield
        sweep(folder)
        _mark(folder, marker, finished=True)


def listed(folder: Path) -> dict[str, bool]:
    """Names on the manifest, each with whether the run that writes now took it up; none where there is no manifest.

    Raises
    ------
    UsageError
        Where the manifest is damaged.
    """
    try:
        lines = (folder / MANIFEST).read_bytes().decode(errors="surrogateescape").split("\n")
    except (FileNotFoundError, NotADirectoryError):
        return {}
    found: dict[str, bool] = {}
    for line in lines[:-1]:  # what follows the last line end is empty, or was cut off
        mark = next((mark for mark in (EARLIER, OWN) if line.startswith(mark)), "")
        name = line.removeprefix(mark)
        path = PurePosixPath(name)
        if not mark or not path.parts or path.is_absolute() or ".." in path.parts or "\\" in name:
            raise UsageError(folder / MANIFEST, "is damaged", f"{OTHER_FOLDER}, or remove that folder")
        found[name] = found.get(name, False) or mark == OWN
    return found


def own(folder: Path, names: Iterable[str]) -> None:
    """List files that are about to be written.

    Raises
    ------
    UsageError
        Where one stands there already that this program did not write, or a link leads out of the folder.
    """
    known = listed(folder)
    new = [name for name in dict.fromkeys(names) if not known.get(name)]
    _check_places(folder, new, known)
    if new:
        folder.mkdir(parents=True, exist_ok=True)
        with naming(folder / MANIFEST), (folder / MANIFEST).open("ab") as stream:
            stream.write("".join(f"{OWN}{name}\n" for name in new).encode(errors="surrogateescape"))
            stream.flush()
            os.fsync(stream.fileno())


def sweep(folder: Path) -> None:
    """Remove what an earlier run listed and this one did not; keep on the list what is there."""
    known = listed(folder)
    for name, taken_up in known.items():
        if not taken_up:
            _remove(folder, name)
    _write(folder, {name: True for name, taken_up in known.items() if taken_up and os.path.lexists(folder / name)})


def _remove(folder: Path, name: str) -> None:
    """Remove one file, and the folders in which it was the last."""
    path = folder / name
    if not path.parent.resolve().is_relative_to(folder.resolve()) or (path.is_dir() and not path.is_symlink()):
        return
    path.unlink(missing_ok=True)
    for parent in path.parents[: len(PurePosixPath(name).parts) - 1]:
        with contextlib.suppress(OSError):
            parent.rmdir()


def _write(folder: Path, names: dict[str, bool]) -> None:
    lines = "".join(f"{OWN if taken_up else EARLIER}{name}\n" for name, taken_up in sorted(names.items()))
    with results.whole_file(folder / MANIFEST) as stream:
        stream.write(lines.encode(errors="surrogateescape"))


def _check(folder: Path, origin: Origin | None, names: tuple[str, ...], read: Iterable[Path]) -> dict[str, Any]:
    """Refuse a folder that is not this origin's; return what its marker says."""
    marker = _held(folder)
    if origin is not None:
        _check_origin(folder, marker, origin)
    elif not marker:
        raise UsageError(folder, "holds no results of this version of the program", "run the study into a new folder")
    _check_links(folder)
    known = listed(folder)
    _check_places(folder, names, known)
    _check_inputs(folder, read, {*known, *names, MANIFEST, results.OWNER, results.LOCK})
    return marker


def _held(folder: Path) -> dict[str, Any]:
    """Read what the marker of a folder says; empty where the folder is new or empty."""
    path = folder / results.OWNER
    remedy = f"{OTHER_FOLDER}, or remove that folder"
    if not os.path.lexists(path):
        foreign = _first_foreign(folder)
        if foreign is not None:
            raise UsageError(folder, f"is no results folder and holds files ({foreign})", "choose a new or empty --out")
        return {}
    try:
        marker = json.loads(path.read_text(encoding="utf8"))
    except (OSError, ValueError, RecursionError):
        raise UsageError(path, "is damaged, or not of this program", remedy) from None
    if isinstance(marker, dict) and set(marker) == {"results_of"}:
        anew = "run the study again with another --out: micro run STUDY.toml --out NEW"
        raise UsageError(folder, "holds the results of an earlier version of the program", anew)
    if not _whole(marker):
        raise UsageError(path, "is damaged, or not of this program", remedy)
    if marker["format"] > FORMAT:
        raise UsageError(folder, "was written by a later version of the program", f"install that, or {OTHER_FOLDER}")
    return marker


def _whole(marker: Any) -> bool:
    """Whether all that a marker must say is there."""
    if not isinstance(marker, dict) or marker.get("program") != "micro" or not isinstance(marker.get("format"), int):
        return False
    sources = marker.get("sources")
    return isinstance(marker.get("kind"), str) and isinstance(sources, list) and all(
        isinstance(source, dict) and all(isinstance(source.get(key), str) for key in ("path", "relative", "sha256"))
        for source in sources
    )  # fmt: skip


def _first_foreign(folder: Path) -> str | None:
    """Name of a file in a folder without a marker; what a run leaves that was killed at its start is none."""
    try:
        found = sorted(entry.name for entry in os.scandir(folder))
    except FileNotFoundError:
        return None
    return next((name for name in found if name != results.LOCK and not UNFINISHED.fullmatch(name)), None)


def _marker(folder: Path, origin: Origin) -> dict[str, Any]:
    return {"program": "micro", "format": FORMAT, "kind": origin.kind, "sources": [
        {"path": str(path), "relative": _relative(path, folder), "sha256": _hash(path, origin.kind)}
        for path in _resolved(origin.sources)
    ]}  # fmt: skip


def _check_origin(folder: Path, marker: dict[str, Any], origin: Origin) -> None:
    if not marker:
        return
    held = marker["sources"]
    then, now = {source["path"] for source in held}, {str(path) for path in _resolved(origin.sources)}
    if marker["kind"] == origin.kind and (then == now or (origin.kind in GROWING and then < now)):
        return
    # A study that was moved or copied together with its results, and not changed on the way, is still the same.
    if marker["kind"] == origin.kind == "study" and held == _copied(held, folder, origin):
        return
    more = f" and {len(held) - 1} more" if len(held) > 1 else ""
    of = f"{marker['kind']} {held[0]['path']}{more}" if held else marker["kind"]
    problem = f"holds the results of other work ({of})"
    raise UsageError(folder, problem, f"{OTHER_FOLDER}, or remove that folder")


def _copied(held: list[dict[str, str]], folder: Path, origin: Origin) -> list[dict[str, str]]:
    """Return the sources as they would be held here, under the paths that they are held by."""
    here = _marker(folder, origin)["sources"]
    return [new | {"path": old["path"]} for old, new in zip(held, here, strict=False)]


def _resolved(paths: Iterable[Path]) -> list[Path]:
    return sorted({path.resolve() for path in paths})


def _relative(path: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(path, folder.resolve())).as_posix()
    except ValueError:  # on another drive
        return ""


def _hash(path: Path, kind: str) -> str:
    # Pictures are many and large, and the record of their fields holds their hashes.
    return results.hash_of_file(path) if kind == "study" and path.is_file() else ""


def _mark(folder: Path, marker: dict[str, Any], finished: bool) -> None:
    """Write the marker; of what has ended with the SHA-256 of its record, so that a reader sees when it was edited."""
    said = marker | {"finished": finished}
    said.pop(results.RECORD_DIGEST, None)
    if finished and (folder / results.RECORD).is_file():
        said[results.RECORD_DIGEST] = results.hash_of_file(folder / results.RECORD)
    results.write_json(folder / results.OWNER, said)


def _check_inputs(folder: Path, read: Iterable[Path], written: set[str]) -> None:
    """No file that is read, by whatever way its path leads there, is one that is written."""
    here = folder.resolve()
    for path in read:
        for place in (path.resolve(), path.parent.resolve() / path.name):
            if place.is_relative_to(here) and place.relative_to(here).as_posix() in written:
                raise UsageError(path, f"is read, and would be written over in {folder}", OTHER_FOLDER)


def _check_places(folder: Path, names: Iterable[str], known: dict[str, bool]) -> None:
    """Where files will be written stands nothing of somebody else's."""
    inner: set[PurePosixPath] = set()
    for name in names:
        if name not in known and os.path.lexists(folder / name):
            raise UsageError(
                folder / name, "is not of this program and stands in the way", f"move it, or {OTHER_FOLDER}"
            )
        inner.update(PurePosixPath(name).parents[:-1])
    for parent in sorted(inner):
        place = folder / parent
        if place.is_symlink() and place.is_dir():
            raise UsageError(place, LEADS_OUT, "remove it")
        if os.path.lexists(place) and not place.is_dir():
            raise UsageError(place, "is not of this program and stands in the way", f"move it, or {OTHER_FOLDER}")


def _check_links(folder: Path) -> None:
    """Folders that are links would lead what is written out of the results folder."""
    for place in (folder, folder / results.PARTS):
        for entry in list(place.iterdir()) if place.is_dir() else ():
            if entry.is_symlink() and entry.is_dir():
                raise UsageError(entry, LEADS_OUT, "remove it")


def _sweep_unfinished(folder: Path) -> None:
    """Remove files that a killed run was writing, wherever it wrote."""
    for place in {folder, *((folder / name).parent for name in listed(folder))}:
        for left in place.iterdir() if place.is_dir() else ():
            if UNFINISHED.fullmatch(left.name) and left.is_file() and not left.is_symlink():
                left.unlink(missing_ok=True)


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


def check_new_file(path: Path, inputs: Iterable[Path], replaceable: bool = False) -> None:
    """Refuse to write one file, named by the user, over an input or over what is not known to be the program's own.

    Raises
    ------
    UsageError
        Where something stands there that is not `replaceable`, or is read.
    """
    for other in inputs:
        if path.resolve() == other.resolve() or (path.exists() and other.exists() and path.samefile(other)):
            raise UsageError(path, "is read, and would be written over", "choose another place")
    if os.path.lexists(path) and not replaceable:
        raise UsageError(path, "stands there already and would be written over", "choose another place, or remove it")
