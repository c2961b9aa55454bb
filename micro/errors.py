"""Troubles that a user can mend, each said in one line."""

import contextlib
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


@contextlib.contextmanager
def writing(where: object, remedy: str = "choose another --out") -> Iterator[None]:
    """Turn what the disk refuses while `where` is written into one UsageError."""
    try:
        yield
    except OSError as trouble:
        raise UsageError(where, f"cannot be written ({trouble.strerror})", remedy) from None
