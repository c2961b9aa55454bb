"""Frozen dataclasses whose methods are made when first used: a run defines two hundred of them and uses a few dozen."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen: bool, eq: bool = True) -> Callable[[type], type]:
        """Make a class a frozen dataclass as the standard library's decorator does, but write no code for it yet.

        That one compiles six functions a class, 0.2 s for all classes of a run in each process. Only `__init__` needs
        code of its own, which is compiled with the first record; the others read the fields.
        """
        if not frozen:
            raise TypeError("records are frozen")

        def made(cls: type) -> type:
            own = vars(cls)
            cls = dataclasses.dataclass(init=False, repr=False, eq=False)(cls)
            methods = {"__init__": _first_init(cls), "__setattr__": _refused, "__delattr__": _refused}
            if "__repr__" not in own:
                methods["__repr__"] = _repr
            if eq:
                methods |= {name: f for name, f in (("__eq__", _eq), ("__hash__", _hash)) if name not in own}
            for name, method in methods.items():
                setattr(cls, name, method)
            return cls

        return made


def _first_init(cls: type) -> Callable[..., None]:
    def __init__(self: Any, *args: Any, **given: Any) -> None:  # noqa: N807
        fields = [(f.name, f.type, f) for f in dataclasses.fields(cls)]
        kept = {name: getattr(cls, name) for name in ("__post_init__", "__doc__") if hasattr(cls, name)}
        twin = dataclasses.make_dataclass(
            cls.__name__, fields, namespace=kept, frozen=True, repr=False, eq=False, match_args=False
        )
        made = vars(twin)["__init__"]
        setattr(cls, "__init__", made)  # noqa: B010
        made(self, *args, **given)

    return __init__


def _refused(self: Any, name: str, *value: Any) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"cannot change field {name!r} of {type(self).__qualname__}")


def _values(self: Any) -> tuple[Any, ...]:
    return tuple(getattr(self, name) for name in self.__dataclass_fields__)


def _repr(self: Any) -> str:
    shown = ", ".join(f"{f.name}={getattr(self, f.name)!r}" for f in dataclasses.fields(self) if f.repr)
    return f"{type(self).__qualname__}({shown})"


def _eq(self: Any, other: object) -> Any:
    return _values(self) == _values(other) if type(other) is type(self) else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))
