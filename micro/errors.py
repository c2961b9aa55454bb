"""Troubles that a user can mend, each said in one line."""

import contextlib
import errno
from collections.abc import Iterator


def one_line(text: str) -> str:
    """Text with what no terminal should obey (line ends, escapes, turned writing) spelled out."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def spelled(name: str) -> str:
    """Name of a file as text: bytes that are not UTF-8, which no table can hold, are spelled out."""
    return name.encode(errors="backslashreplace").decode()


class MicroError(Exception):
    """One line: where the trouble is, what is wrong, what to do.

    Parameters
    ----------
    where
        File, argument or key that is at fault.
    problem
        What is wrong with it, with the value received.
    remedy
        What the user can do about it.
    """

    def __init__(self, where: object, problem: str, remedy: str) -> None:
        self.where, self.problem, self.remedy = str(where), problem, remedy
        super().__init__(where, problem, remedy)

    def __str__(self) -> str:
        return one_line(f"{self.where}: {self.problem}; {self.remedy}")


class InputError(MicroError):
    """One picture or table cannot be used; the others go on (exit status 1)."""


class UsageError(MicroError):
    """The arguments or the study file cannot be used at all (exit status 2)."""


FREE, RIGHTS = "free the disk", "give yourself the right to read and write there"
MORE_FILES = "allow more open files (ulimit -n), or use fewer --workers"
REMEDIES = {
    **dict.fromkeys((errno.ENOSPC, errno.EDQUOT, errno.EFBIG), FREE),
    **dict.fromkeys((errno.EACCES, errno.EPERM, errno.EROFS), RIGHTS),
    **dict.fromkeys((errno.EMFILE, errno.ENFILE), MORE_FILES),
    errno.ENOMEM: "close other programs, or use fewer --workers",
}
"""What the user can do about what the system refuses."""
SCARCE = {number for number, remedy in REMEDIES.items() if remedy != RIGHTS}
"""Refusals that another folder would not mend."""


def refused(where: object, trouble: OSError) -> InputError:
    """Return one line for what the system refused: a full disk, a right, a handle are not mended alike."""
    remedy = REMEDIES.get(trouble.errno or 0, "mend the disk")
    problem = f"cannot be read or written ({trouble.strerror or trouble})"
    return InputError(trouble.filename or where, problem, f"{remedy}, then run the same command again")


@contextlib.contextmanager
def naming(path: object) -> Iterator[None]:
    """Let what the system refuses while `path` is written name it: a stream, or a temporary file, does not."""
    try:
        yield
    except OSError as trouble:
        raise OSError(trouble.errno, trouble.strerror or str(trouble), str(path)) from trouble


@contextlib.contextmanager
def writing(where: object, remedy: str = "choose another --out") -> Iterator[None]:
    """Turn what the disk refuses while `where` is written into one UsageError."""
    try:
        yield
    except OSError as trouble:
        if trouble.errno in SCARCE:
            remedy = REMEDIES[trouble.errno]
        raise UsageError(where, f"cannot be written ({trouble.strerror})", remedy) from None
