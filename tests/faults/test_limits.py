"""A file that is refused costs little, however it is packed; what is measured fits into the memory that is free."""

from __future__ import annotations

import lzma
import resource
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from micro.errors import InputError
from micro.image import unpacking
from micro.image.reading import read

GIBIBYTE = 2**30
SIDE = 4096


def striped(path: Path, strips: list[bytes], shape: tuple[int, int], compression: int) -> Path:
    """Write a TIFF of 8 bits from strips that are packed already (TIFF 6.0, section 2)."""
    rows, columns = shape
    offsets = np.cumsum([8, *map(len, strips)])
    end = int(offsets[-1]) + int(offsets[-1]) % 2
    lists = struct.pack(f"<{len(strips)}I", *offsets[:-1]) + struct.pack(f"<{len(strips)}I", *map(len, strips))
    several = len(strips) > 1
    first, second = (end, end + 4 * len(strips)) if several else (8, len(strips[0]))
    high, each = -(-rows // len(strips)), len(strips)
    tags = [(256, 1, columns), (257, 1, rows), (258, 1, 8), (259, 1, compression), (262, 1, 1), (273, each, first),
            (277, 1, 1), (278, 1, high), (279, each, second)]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, 4, count, value) for tag, count, value in tags)
    start = end + (len(lists) if several else 0)
    body = b"II*\0" + struct.pack("<I", start) + b"".join(strips)
    path.write_bytes(
        body.ljust(end, b"\0") + (lists if several else b"") + struct.pack("<H", len(tags)) + entries + bytes(4)
    )
    return path


def deflate_bombs(path: Path) -> Path:
    """500 strips, each of which unpacks to 60 MB in place of 4 kB: 30 GB of zeros in 30 MB."""
    bomb = zlib.compress(bytes(60_000_000), 9)
    return striped(path, [bomb] * 500, (500, SIDE), 8)


def lzma_bomb(path: Path) -> Path:
    """One strip that unpacks to 1 GB in place of 16 MB, beside noise that lets the claim pass."""
    packer = lzma.LZMACompressor(preset=0)
    zeros = bytes(2**24)
    content = b"".join(packer.compress(zeros) for _ in range(64)) + packer.flush()
    return striped(path, [content + np.random.default_rng(1).bytes(10**6)], (SIDE, SIDE), 34925)


def packbits_bomb(path: Path) -> Path:
    """6 MB of runs that unpack to 384 MB in place of 36 MB."""
    return striped(path, [b"\x81\x07" * 3_000_000], (6000, 6000), 32773)


def one_lump(path: Path) -> Path:
    """Write a mosaic of 400 million pixels, deflated in one strip: every part would unpack all of it."""
    packed = zlib.compressobj(1)
    row = np.random.default_rng(2).integers(0, 40, 2**20, dtype=np.uint8).tobytes()
    content = b"".join(packed.compress(row) for _ in range(400)) + packed.flush()
    return striped(path, [content], (20480, 20480), 8)


def dense(path: Path) -> Path:
    """36 million pixels of four floats of 8 bytes each: 1.1 GB before anything is known of them."""
    with path.open("wb") as stream:
        stream.truncate(6000 * 6000 * 32 + 4096)
    tags = [(256, 6000), (257, 6000), (258, 64), (259, 1), (262, 1), (273, 4096), (277, 4), (278, 6000),
            (279, 6000 * 6000 * 32), (284, 1), (338, 0), (339, 3)]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    with path.open("r+b") as stream:
        stream.write(b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + bytes(4))
    return path


MEASURED = """
import resource, sys, time
from pathlib import Path
from micro.errors import InputError
from micro.image.reading import read
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Specimen, cut_mosaics, study_of_images
study = study_of_images([Path(sys.argv[1])], Specimen("A", (), um_per_px=0.2), SegmentationSettings())
field = cut_mosaics(study.specimens[0].fields)[0]
start = time.process_time()
try:
    read(field.image, sub_field=field.sub_field)
except InputError as trouble:
    print(trouble.problem)
print(time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (deflate_bombs, "unpacks to more than its pixels"),
        pytest.param(lzma_bomb, "unpacks to more than its pixels", marks=pytest.mark.study),
        (packbits_bomb, "unpacks to more than its pixels"),
        pytest.param(one_lump, "is packed in pieces of 400 MiB", marks=pytest.mark.study),
        (dense, "MiB of pixels in one piece"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="memory is measured by a call of Unix")
def test_a_refused_file_takes_little_memory_and_time(
    tmp_path: Path, make: Callable[[Path], Path], said: str, record_property: Callable[[str, object], None]
) -> None:
    """At most 1 GiB for the whole process, and 10 s of one core."""
    path = make(tmp_path / "a.tif")
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(path)], capture_output=True, text=True, check=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (60, 60)),
    )  # fmt: skip
    *problem, figures = done.stdout.splitlines()
    seconds, memory = map(float, figures.split())
    record_property(f"{make.__name__} refused", f"{seconds:.1f} s, {memory / 2**20:.0f} MiB")
    assert said in " ".join(problem)
    assert memory < GIBIBYTE
    assert seconds < 10


@pytest.mark.parametrize("compression", ["zlib", "lzma", "packbits"])
def test_sound_strips_are_measured(tmp_path: Path, compression: str) -> None:
    """The check of what strips unpack to lets all of them through that hold their pixels."""
    grey = np.random.default_rng(1).integers(10, 240, (300, 200), dtype=np.uint8)
    path = tmp_path / "a.tif"
    if compression == "packbits":
        rows = [b"".join(bytes([99]) + row[at : at + 100].tobytes() for at in (0, 100)) for row in grey]
        striped(path, [b"".join(rows[at : at + 100]) for at in (0, 100, 200)], grey.shape, 32773)
    else:
        tifffile.imwrite(path, grey, compression=compression, rowsperstrip=16)
    np.testing.assert_array_equal(read(path).grey, grey)


@pytest.mark.parametrize(
    "packed", [b"", b"\x80" * 9, b"\x02123", b"\xfe\xaa\x02\x80\x00\x2a\xfd\xaa\x03\x80\x00\x2a\x22\xf7\xaa"]
)
def test_packbits_are_counted(packed: bytes) -> None:
    """The last is the example of TIFF 6.0, section 9: 24 bytes. Counting ends when there are too many."""
    from tifffile._imagecodecs import packbits_decode

    assert unpacking._packbits(packed, 1000) == len(packbits_decode(packed))
    assert unpacking._packbits(b"\x81\x07" * 1000, 300) <= 300 + 128


def test_a_strip_longer_than_its_pixels_is_refused(tmp_path: Path) -> None:
    """A strip of 2 MB for 4 kB of pixels: nothing of it is decoded, however it is packed."""
    path = striped(tmp_path / "a.tif", [bytes(2_000_000)], (64, 64), 5)
    with pytest.raises(InputError, match="longer than its pixels"):
        read(path)


@pytest.mark.parametrize(("free_gib", "workers"), [(None, 8), (100.0, 8), (7.0, 2), (4.0, 1), (0.1, 1)])
def test_workers_fit_into_the_free_memory(tmp_path: Path, free_gib: float | None, workers: int) -> None:
    """A dense picture of 6000 × 6000 px takes 3.1 GiB (measured): 7 GiB hold two, 8 cores or not."""
    from micro.batch.workers import fitting_workers
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.study.model import Specimen, study_of_images

    tifffile.imwrite(tmp_path / "a.tif", shape=(6000, 6000), dtype=np.uint8)
    study = study_of_images([tmp_path / "a.tif"], Specimen("A", ()), SegmentationSettings())
    free = None if free_gib is None else int(free_gib * GIBIBYTE)
    assert fitting_workers(study.specimens[0].fields, 8, free) == workers


def as_strip(kind: str, shape: tuple[int, int]) -> bytes:
    """Pack an even grey, or one in colour where the packing knows no other, as a picture of its own."""
    import cv2

    return cv2.imencode(kind, np.full((*shape, 3) if kind == ".webp" else shape, 90, np.uint8))[1].tobytes()


@pytest.mark.parametrize(("kind", "packing"), [(".jpg", 7), (".jp2", 34712), (".webp", 50001)])
def test_a_strip_that_claims_more_than_its_pixels_is_refused(tmp_path: Path, kind: str, packing: int) -> None:
    """A picture of 3000 × 3000 px poses as a strip of 64 × 64: its claim is read, and nothing unpacked."""
    path = striped(tmp_path / "a.tif", [as_strip(kind, (3000, 3000))[:60_000]], (64, 64), packing)
    with pytest.raises(InputError, match="unpacks to more than its pixels"):
        read(path)


@pytest.mark.parametrize(("kind", "packing"), [(".jpg", "JPEG"), (".jp2", "JPEG2000"), (".webp", "WEBP")])
@pytest.mark.parametrize("shape", [(64, 64), (48, 200), (300, 40)])
def test_the_claim_of_a_strip_is_read(kind: str, packing: str, shape: tuple[int, int]) -> None:
    """Rows times columns as its standard writes them, found by another library's own files."""
    assert unpacking._declared(packing)(as_strip(kind, shape), 10**9) == shape[0] * shape[1]


def test_a_packing_of_any_size_is_refused(tmp_path: Path) -> None:
    """Strips of JPEG XL are unpacked to whatever they claim."""
    with pytest.raises(InputError, match="packed as JPEGXL, which may unpack to more"):
        read(striped(tmp_path / "a.tif", [bytes(4096)], (64, 64), 50002))


@pytest.mark.parametrize(("folder", "ending", "kept"), [
    ("", ("max", "current"), "inactive_file"),
    ("memory", ("limit_in_bytes", "usage_in_bytes"), "total_inactive_file"),
])  # fmt: skip
def test_the_limit_of_a_group_is_heard(tmp_path: Path, folder: str, ending: tuple[str, str], kept: str) -> None:
    """Of 1000 bytes 900 are held, 300 of them by files that the system would let go of: 400 are left."""
    from micro.processes import _left_to_group

    group = tmp_path / folder
    group.mkdir(exist_ok=True)
    for name, value in zip(ending, (1000, 900), strict=True):
        (group / f"memory.{name}").write_text(f"{value}\n")
    (group / "memory.stat").write_text(f"cache 500\n{kept} 300\nactive_file 200\n")
    assert _left_to_group(tmp_path) == [400]
    (group / f"memory.{ending[0]}").write_text("max\n")
    assert _left_to_group(tmp_path) == []


@pytest.mark.parametrize("compression", [1, 8, 32773, 34925])
def test_a_header_larger_than_its_data_is_refused(tmp_path: Path, compression: int) -> None:
    """A header of 3000 × 3000 px over the data of 160 × 200: nothing is filled up with black."""
    grey = np.random.default_rng(1).integers(10, 240, 160 * 200, dtype=np.uint8).tobytes()
    pack = {
        1: bytes, 8: zlib.compress, 34925: lzma.compress,
        32773: lambda b: b"".join(bytes([99]) + b[at : at + 100] for at in range(0, len(b), 100)),
    }[compression]  # fmt: skip
    sound = striped(tmp_path / "sound.tif", [pack(grey)], (160, 200), compression)
    assert read(sound).grey.shape == (160, 200)
    for strips in ([pack(grey)], [pack(grey[:16000]), pack(grey[16000:])]):
        path = striped(tmp_path / "a.tif", strips, (3000, 3000), compression)
        with pytest.raises(InputError, match=r"damaged|cut short|claims"):
            read(path)


@pytest.mark.parametrize("ending", [".png", ".jpg", ".bmp"])
def test_a_header_of_other_formats_larger_than_its_data_is_refused(tmp_path: Path, ending: str) -> None:
    """The height in the header becomes 3000 (where the formats keep it); the data stay those of 160 rows."""
    import cv2

    grey = np.random.default_rng(1).integers(10, 240, (160, 200), dtype=np.uint8)
    content = bytearray(cv2.imencode(ending, grey)[1].tobytes())
    if ending == ".png":
        content[20:24] = struct.pack(">I", 3000)
        content[29:33] = struct.pack(">I", zlib.crc32(content[12:29]))
    elif ending == ".bmp":
        content[22:26] = struct.pack("<i", 3000)
    else:
        frame = content.index(b"\xff\xc0")
        content[frame + 5 : frame + 7] = struct.pack(">H", 3000)
    path = tmp_path / f"a{ending}"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"damaged|cut short|claims"):
        read(path)


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "LA", "P", "I;16"])
@pytest.mark.parametrize("shape", [(33, 47), (64, 64), (100, 41)])
def test_sound_pngs_hold_their_pixels(tmp_path: Path, mode: str, shape: tuple[int, int]) -> None:
    """Every kind of PNG that Pillow writes is read."""
    from PIL import Image

    levels = np.random.default_rng(1).integers(10, 240, shape, dtype=np.uint8)
    picture = Image.fromarray(levels.astype(np.uint16) * 200 if mode == "I;16" else levels)
    (picture if mode == "I;16" else picture.convert(mode)).save(tmp_path / "a.png")
    assert read(tmp_path / "a.png", crop_bottom_px=0).grey.shape == shape


ADAM7 = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
"""First column and row, and steps, of the seven passes of an interlaced PNG (PNG specification, section 8)."""


def png_of(data: bytes, shape: tuple[int, int], interlaced: int = 0) -> bytes:
    """PNG of 8 bits from its lines, each behind the byte of its filter."""
    head = struct.pack(">IIBBBBB", shape[1], shape[0], 8, 0, 0, 0, interlaced)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(data)), (b"IEND", b""))
    chunks = (struct.pack(">I", len(c)) + kind + c + struct.pack(">I", zlib.crc32(kind + c)) for kind, c in parts)
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


@pytest.mark.parametrize("lines", [40, 63, 64, 65, 100])
@pytest.mark.parametrize("interlaced", [0, 1])
def test_a_png_holds_its_pixels_and_no_more(tmp_path: Path, lines: int, interlaced: int) -> None:
    """Data for fewer or more lines than the header says are refused, in one pass and in seven."""
    grey = np.random.default_rng(2).integers(10, 240, (lines, 48), dtype=np.uint8)
    passes = ADAM7 if interlaced else ((0, 0, 1, 1),)
    some = (grey[y::down, x::across] for x, y, across, down in passes)
    data = b"".join(b"\0" + row.tobytes() for part in some for row in part)
    path = tmp_path / "a.png"
    path.write_bytes(png_of(data, (64, 48), interlaced))
    if lines == 64:
        assert np.array_equal(read(path, crop_bottom_px=0).grey, grey)
    else:
        with pytest.raises(InputError, match="is damaged"):
            read(path)
