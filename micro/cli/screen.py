"""The one door to the terminal: text from pictures, tables and names cannot give it orders."""

from __future__ import annotations

import contextlib
import io
import sys
import unicodedata
from collections.abc import Iterator
from typing import TextIO


def harmless(text: str) -> str:
    """Text with all that a terminal could obey, or that turns writing around, spelled out; lines stay lines."""
    if text.isascii() and text.replace("\n", "").isprintable():
        return text
    return "".join(c if _shown(c) else repr(c)[1:-1] for c in text)


def _shown(character: str) -> bool:
    return character == "\n" or character.isprintable() or unicodedata.category(character) == "Zs"


class Screen(io.TextIOBase):
    """A text stream that lets only harmless text through."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        """Write to the stream behind."""
        self.stream.write(harmless(text))
        return len(text)

    def flush(self) -> None:
        """Pass on what waits."""
        self.stream.flush()

    def isatty(self) -> bool:
        """Whether a person looks on."""
        return self.stream.isatty()

    def fileno(self) -> int:
        """Return the number of the stream behind."""
        return self.stream.fileno()

    def writable(self) -> bool:
        """Say yes."""
        return True

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Of the stream behind."""
        return self.stream.encoding

    @property
    def errors(self) -> str | None:  # type: ignore[override]
        """How the stream behind treats what it cannot encode."""
        return self.stream.errors


def bare(stream: TextIO) -> TextIO:
    """Return the stream behind the door, for the program's own moving parts that hold no text from outside."""
    return stream.stream if isinstance(stream, Screen) else stream


@contextlib.contextmanager
def guarded_screen() -> Iterator[None]:
    """Put the door before stdout and stderr."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (stream if stream is None else Screen(stream) for stream in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
