"""What decoders written in C say on the error stream, instead of failing: heard, judged, kept off the screen."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import threading
from collections.abc import Iterator

from micro.image.pixels import UnusableError

# Tags of their own are written by many microscopes, and tell nothing of the pixels.
HARMLESS = re.compile(r"Unknown field with tag|unknown field with tag")
MOST_BYTES = 4096
ERROR_STREAM = 2
_hearing = threading.Lock()


@contextlib.contextmanager
def complaints_refused() -> Iterator[None]:
    """Refuse a picture whose decoder complains of anything but unknown tags.

    libjpeg and libtiff fill in what they cannot decode, and say so on the error stream of the process only. It is
    led into a file meanwhile; what another thread says then is taken for the decoder's.

    Raises
    ------
    UnusableError
        With the decoder's words.
    """
    with _hearing, tempfile.TemporaryFile() as heard:
        try:
            screen = os.dup(ERROR_STREAM)
        except OSError:  # a process without an error stream: nothing can be heard, nothing leaks
            yield
            return
        os.dup2(heard.fileno(), ERROR_STREAM)
        try:
            yield
        finally:
            os.dup2(screen, ERROR_STREAM)
            os.close(screen)
        heard.seek(0)
        said = heard.read(MOST_BYTES).decode(errors="replace")
    serious = [line for line in said.splitlines() if line.strip() and not HARMLESS.search(line)]
    if serious:
        raise UnusableError(f"is damaged ({_bare(serious[0])})", "save or copy it again")


def _bare(line: str) -> str:
    """Words of a decoder without the place in its program, cut to what a line holds."""
    words = re.sub(r"^\s*\[.*?\]\s*(global )?(\S+\.cpp:\d+ )?(TIFF_(Error|Warning) )?", "", line).strip()
    return words if len(words) <= 80 else words[:77] + "..."
