"""The study: which specimens, which pictures, how they are measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from micro.study.reader import read_study

__all__ = ["read_study"]


def __getattr__(name: str) -> Any:
    # Pictures on the command line need no study file and nothing that reads one.
    if name == "read_study":
        from micro.study.reader import read_study

        return read_study
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
