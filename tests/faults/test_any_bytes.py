"""Whatever bytes a file holds, its door takes it with sound numbers or refuses it in one line."""

from __future__ import annotations

from pathlib import Path

import doors
import pytest
import sound_files
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

SHORT = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
LONG = settings(SHORT, max_examples=1500, derandomize=False)

# What people and programs really put into cells and values, and what breaks parsers.
ODD_CELLS = st.sampled_from([
    "", " ", "-1", "0", "1e999", "-1e999", "nan", "inf", "1,5", "1.5.2", "1_000", "٣", "²", "0x10", "1" * 400, "=1+1",
    "@x", "'", '"', "\t", "\0", "\n", "\r", "\ufeff", "\u202e", "in", "out", "all", "T", "transverse", "1e-320", "½",
]) | st.text(max_size=6)  # fmt: skip
ODD_VALUES = st.sampled_from([
    "nan", "inf", "-inf", "0", "-0.0", "-1", "1e400", "1" * 400, "1.5", "true", '""', '"a\\u0000"', '"../x"', '"/etc"',
    "[]", "[[]]", "{}", "[1, 'a']", "1979-05-27", "07:32:00", '"' + "x" * 300 + '"', "0x7fffffffffffffffffff", '"**"',
    '["["]', '["../*.png"]', '["~/*"]', '"a\\u0007"', "9" * 5000, "[" * 50 + "]" * 50,
])  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a place for the file, beside the picture that the study names."""
    (tmp_path / "a1.png").write_bytes(sound_files.picture())
    return tmp_path / "study.toml"


def one_of(door: str, data: st.DataObject) -> bytes:
    return data.draw(st.sampled_from(sound_files.sound(door)))


def changed_bytes(door: str, data: st.DataObject) -> bytes:
    """Change, cut out, double or insert a few bytes of a sound file, or of no file at all."""
    changed = bytearray(data.draw(st.sampled_from(sound_files.sound(door)) | st.binary(max_size=300)))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, max(len(changed) - 1, 0)))
        end = place + data.draw(st.integers(0, 8))
        changed[place:end] = data.draw(
            st.binary(max_size=8) | st.just(bytes(changed[place:end]) * 2) | st.sampled_from([b"\xff" * 4, bytes(4)])
        )
    return bytes(changed)


def odd_cells(door: str, data: st.DataObject) -> bytes:
    """Put odd cells into a sound table, and perhaps a row twice."""
    separator = ";" if door == "coupons" else ","
    rows = [line.split(separator) for line in one_of(door, data).decode().splitlines()]
    for _ in range(data.draw(st.integers(1, 4))):
        row = data.draw(st.sampled_from(rows))
        row[data.draw(st.integers(0, len(row) - 1))] = data.draw(ODD_CELLS)
    if data.draw(st.booleans()):
        rows.append(data.draw(st.sampled_from(rows)))
    return "\n".join(separator.join(row) for row in rows).encode(errors="surrogatepass")


def odd_values(door: str, data: st.DataObject) -> bytes:
    """Put odd values into a sound TOML file, and perhaps a line twice."""
    lines = one_of(door, data).decode().splitlines()
    assignments = [number for number, line in enumerate(lines) if " = " in line]
    for _ in range(data.draw(st.integers(1, 3))):
        number = data.draw(st.sampled_from(assignments))
        lines[number] = lines[number].split(" = ")[0] + " = " + data.draw(ODD_VALUES)
    if data.draw(st.booleans()):
        lines.insert(data.draw(st.integers(0, len(lines))), data.draw(st.sampled_from(lines)))
    return "\n".join(lines).encode()


def assert_promise(door: str, path: Path, content: bytes) -> None:
    path.write_bytes(content)
    doors.assert_taken_or_refused(door, path)


@pytest.mark.parametrize("door", doors.DOORS)
def test_sound_files_are_taken(door: str, path: Path) -> None:
    """The promises are not kept by refusing everything."""
    for content in sound_files.sound(door):
        path.write_bytes(content)
        assert doors.assert_taken_or_refused(door, path)


@pytest.mark.parametrize("door", doors.DOORS)
@SHORT
@given(data=st.data())
def test_changed_bytes(door: str, path: Path, data: st.DataObject) -> None:
    """A few bytes of a sound file changed, cut out, doubled or put in."""
    assert_promise(door, path, changed_bytes(door, data))


@pytest.mark.parametrize("door", ["tally", "coupons"])
@SHORT
@given(data=st.data())
def test_odd_cells(door: str, path: Path, data: st.DataObject) -> None:
    """Cells of a sound table put in the place of others, emptied, huge, formulas, digits of other scripts."""
    assert_promise(door, path, odd_cells(door, data))


@pytest.mark.parametrize("door", ["study", "calibration"])
@SHORT
@given(data=st.data())
def test_odd_values(door: str, path: Path, data: st.DataObject) -> None:
    """Values of other kinds, too large, not finite, outside the folder, with control characters; lines doubled."""
    assert_promise(door, path, odd_values(door, data))


@pytest.mark.study
@pytest.mark.parametrize("door", doors.DOORS)
@LONG
@given(data=st.data())
def test_many_files_of_any_bytes(door: str, path: Path, data: st.DataObject) -> None:
    """Thousands of changed files, others each time."""
    makers = [changed_bytes]
    makers += [odd_cells] * (door in ("tally", "coupons")) + [odd_values] * (door in ("study", "calibration"))
    assert_promise(door, path, data.draw(st.sampled_from(makers))(door, data))
