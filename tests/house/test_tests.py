"""Every test can fail: it asserts something, itself or through a helper of its own file."""

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
FILES = sorted(TESTS.rglob("test_*.py"))
EXPECTING = {"raises", "warns"}


def functions(tree):
    return {node.name: node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def called(node):
    """Name that a call is made by: f for f(), g for a.b.g()."""
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def says_nothing(statement):
    """`assert True` and its like, and a comparison of a thing with itself."""
    tested = statement.test
    if isinstance(tested, ast.Compare):
        sides = [ast.dump(side) for side in (tested.left, *tested.comparators)]
        return len(set(sides)) == 1
    return isinstance(tested, ast.Constant | ast.Tuple | ast.List | ast.JoinedStr | ast.Lambda)


def asserts(function, helpers, seen=frozenset()):
    """Whether a function can fail: by a statement, an expected exception, a library, a helper that can."""
    for node in ast.walk(function):
        if isinstance(node, ast.Assert) and not says_nothing(node):
            return True
        if isinstance(node, ast.Call):
            name = called(node)
            if name in EXPECTING or name.startswith("assert_"):
                return True
            if name in helpers and name not in seen and asserts(helpers[name], helpers, seen | {name}):
                return True
    return False


def idle_tests(text):
    helpers = functions(ast.parse(text))
    return [name for name, node in helpers.items() if name.startswith("test_") and not asserts(node, helpers)]


def test_every_test_asserts():
    """None only calls and looks on."""
    found = {path.relative_to(TESTS).as_posix(): idle_tests(path.read_text(encoding="utf8")) for path in FILES}
    assert {path: names for path, names in found.items() if names} == {}


@pytest.mark.parametrize(
    ("body", "idle"),
    [
        ("assert f() == 1", False),
        ("with pytest.raises(ValueError):\n        f()", False),
        ("np.testing.assert_allclose(f(), 1)", False),
        ("checked(f())", False),
        ("f()", True),
        ("assert True", True),
        ("assert (f() == 1, 'never false')", True),
        ("assert x == x", True),
        ("looked(f())", True),
    ],
)
def test_an_idle_test_is_found(body, idle):
    """What can fail is told from what cannot, also one call away."""
    helpers = "def checked(x):\n    assert x\n\ndef looked(x):\n    return x\n"
    assert idle_tests(f"{helpers}\ndef test_it():\n    {body}\n") == (["test_it"] if idle else [])
