"""The terminal: one door for text, so that pictures, tables and names give it no orders, and its signals to end.

After a signal one line and the end within two seconds, however many of them come.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import threading
import unicodedata
from collections.abc import Iterator
from types import FrameType
from typing import NoReturn, TextIO


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


LINE = "stopped; run the same command again to go on"
SECONDS_TO_END = 1.5
"""For workers to end their fields and files; a field that takes longer is lost, and measured again by the next run."""
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class StoppedError(KeyboardInterrupt):
    """A signal asked the program to end."""

    def __init__(self, number: int) -> None:
        self.status = 128 + number
        super().__init__(number)


class Stopping:
    """Listens for signals while the program runs; the first one counts."""

    def __init__(self) -> None:
        self._before: dict[int, object] = {}
        self._said = threading.Lock()
        self.stopped = False

    def listen(self) -> None:
        """Take over the signals that are not ignored, as in jobs that outlive their terminal."""
        if threading.current_thread() is not threading.main_thread():
            return
        for number in SIGNALS:
            if signal.getsignal(number) is not signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._stop)

    def rest(self) -> None:
        """Give the signals back, unless one of them is ending the program."""
        if not self.stopped:
            for number, handler in self._before.items():
                signal.signal(number, handler)  # type: ignore[arg-type]

    def say(self, *, in_order: bool = False) -> bool:
        """Print the line, once; whether it was printed now.

        In order with what else is printed, or past all locks that another thread may hold.
        """
        if not self._said.acquire(blocking=False):
            return False
        if in_order:
            print(LINE, file=sys.stderr, flush=True)
            return True
        os.write(sys.__stderr__.fileno() if sys.__stderr__ else 2, f"{LINE}\n".encode())
        return True

    def _stop(self, number: int, frame: FrameType | None) -> NoReturn:
        # A second signal would strike while the first one is obeyed: in a lock, or between two files.
        for other in self._before:
            signal.signal(other, signal.SIG_IGN)
        self.stopped = True
        end = threading.Timer(SECONDS_TO_END, self._end, [128 + number])
        end.daemon = True
        end.start()
        raise StoppedError(number)

    def _end(self, status: int) -> None:
        """End at once; workers end with this process."""
        self.say()
        os._exit(status)
