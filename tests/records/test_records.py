"""Records behave as frozen dataclasses of the standard library do, whose documentation is the truth here."""

import dataclasses
import pickle
from typing import Any

import pytest

from micro import records


def made_by(dataclass: Any) -> tuple[type, type]:
    """Return the same two classes, made by that decorator."""

    @dataclass(frozen=True)
    class Bar:
        """A bar."""

        name: str
        share: float = 0.5
        more: dict = dataclasses.field(default_factory=dict)

        def __post_init__(self) -> None:
            if self.share < 0:
                raise ValueError(self.name)

    @dataclass(frozen=True, eq=False)
    class Field:
        area: float

        def __repr__(self) -> str:
            return f"{self.area:g} px"

    return Bar, Field


@pytest.fixture(params=[dataclasses.dataclass, records.dataclass], ids=["library", "house"])
def classes(request):
    return made_by(request.param)


def test_values_defaults_and_checks(classes):
    """By place and by name, with defaults that no two share, checked where the class asks for it."""
    bar, _ = classes
    one, other = bar("a", more={1: 2}), bar(name="b")
    assert (one.name, one.share, one.more, other.more) == ("a", 0.5, {1: 2}, {})
    assert bar("a").more is not bar("a").more
    assert dataclasses.asdict(one) == {"name": "a", "share": 0.5, "more": {1: 2}}
    assert dataclasses.replace(one, share=0.1).share == 0.1
    assert repr(one).endswith("Bar(name='a', share=0.5, more={1: 2})")
    with pytest.raises(ValueError, match="b"):
        bar("b", -1)
    for wrong in ((), ("a", 1, {}, 3)):
        with pytest.raises(TypeError):
            bar(*wrong)
    with pytest.raises(TypeError):
        bar("a", length=1)


def test_nothing_changes_them(classes):
    one = classes[0]("a")
    with pytest.raises(dataclasses.FrozenInstanceError, match="name"):
        one.name = "b"
    with pytest.raises(dataclasses.FrozenInstanceError, match="name"):
        del one.name
    assert one.name == "a"


def test_equal_by_value_or_each_itself(classes):
    bar, field = classes
    assert bar("a") == bar("a") != bar("b")
    assert bar("a") != ("a", 0.5, {})
    assert field(1) != field(1)
    assert repr(field(2.0)) == "2 px"
    assert bar.__match_args__ == ("name", "share", "more")


def test_equal_records_share_a_hash_and_survive_a_pipe():
    """Jobs are pickled to workers; settings are keys of tables."""
    from micro.image.micrograph import SubField
    from micro.study.model import Specimen

    one = Specimen("a", ())
    assert pickle.loads(pickle.dumps(one)) == one
    fields = [f.name for f in dataclasses.fields(SubField)]
    parts = [SubField(**dict.fromkeys(fields, (0, 0, 1, 1))) for _ in range(2)]
    assert len(set(parts)) == 1
