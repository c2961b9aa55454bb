"""A picture that lies at an address, such as s3://bucket/field.tif, and on no disk of this machine."""

from __future__ import annotations

import contextlib
import errno
import re
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import unquote

EXTRA = 'in the checkout: pip install ".[remote]"'
MOST_BYTES = 500_000_000
"""Larger files are not fetched: they are held in memory, and a field decodes to 450 MB at most."""


class Address(str):
    """Text `scheme://...` that stands where the path of a picture does; fsspec fetches what lies there."""

    __slots__ = ()

    @property
    def name(self) -> str:
        """Last part, without what a signed address carries behind it."""
        return PurePosixPath(self.partition("?")[0]).name

    @property
    def stem(self) -> str:
        """Name without its ending."""
        return PurePosixPath(self.name).stem

    @property
    def suffix(self) -> str:
        """Ending of the name, with its dot."""
        return PurePosixPath(self.name).suffix

    @property
    def parent(self) -> Address:
        """Address of the place that it lies in."""
        return Address(self.partition("?")[0].rpartition("/")[0])

    def resolve(self) -> Address:
        """Return itself: an address is the same from every folder and machine."""
        return self

    def fetched(self) -> bytes:
        """Return all bytes that lie there.

        Raises
        ------
        OSError
            Whatever fails: no such file, no answer, no right, no library for the scheme, too large.
        """
        with _one_kind_of_trouble():
            place, path = _place(self)
            size = place.size(path)
            if size is not None and size > MOST_BYTES:
                raise OSError(errno.EFBIG, f"is larger than {MOST_BYTES // 10**6} MB")
            return bytes(place.cat_file(path))

    @classmethod
    def __get_pydantic_core_schema__(cls, *_: Any) -> Any:
        from pydantic_core import core_schema

        def address(text: Any) -> Address:
            if not (isinstance(text, str) and is_address(text)):
                raise ValueError("is no address")
            return cls(text)

        return core_schema.no_info_plain_validator_function(address)


def place_of(place: str | Path) -> Path | Address:
    """Return what a text names: an address, or else a file."""
    return Address(place) if isinstance(place, str) and is_address(place) else Path(place)


def on_disk(places: Iterable[Path | Address]) -> tuple[Path, ...]:
    """Those of them that are files: what lies at an address nobody here writes over."""
    return tuple(place for place in places if isinstance(place, Path))


def is_address(text: str) -> bool:
    """Whether a text names a place by a scheme, and not a file: one letter is a drive."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text) is not None


def leads_elsewhere(text: str) -> bool:
    """Whether an address may leave the place it starts with: by a folder above, or by an address within it."""
    return "::" in text or ".." in re.split(r"[/\\]", unquote(text))


def matching(pattern: Address) -> list[Address]:
    """Return what lies at an address with * in it, by name; the address itself where it has none.

    Raises
    ------
    OSError
        Where the place does not answer, or nothing here speaks its scheme.
    """
    if "*" not in pattern:
        return [pattern]
    with _one_kind_of_trouble():
        place, path = _place(pattern)
        return sorted(_spelled_alike(place.unstrip_protocol(found), pattern) for found in place.glob(path))


def _spelled_alike(found: str, pattern: Address) -> Address:
    """Return what was found with as many slashes behind its scheme as the pattern has: some places add one."""
    scheme, mark, rest = found.partition("://")
    return Address(found if pattern.partition("://")[2].startswith("/") else scheme + mark + rest.lstrip("/"))


def _place(address: Address) -> tuple[Any, str]:
    """File system of an address, as fsspec has it, and the path in it."""
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise OSError(errno.ENOSYS, f"addresses need the remote extra; {EXTRA}") from None
    place, path = url_to_fs(str(address))
    return place, path


@contextlib.contextmanager
def _one_kind_of_trouble() -> Iterator[None]:
    """Turn whatever the library of a store raises, each its own, into an OSError."""
    try:
        yield
    except OSError:
        raise
    except Exception as trouble:
        raise OSError(errno.EIO, str(trouble) or type(trouble).__name__) from trouble
