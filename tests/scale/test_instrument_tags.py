"""Sizes of a pixel that microscopes write are read; nonsense is passed over. Each file is written here, tag by tag."""

import json
import struct

import numpy as np
import pytest
import tifffile

from micro.scale.scale import scale_from_tags

GREY = np.random.default_rng(0).integers(0, 255, (48, 64), dtype=np.uint8)
ASCII, LONG, UNDEFINED = 2, 4, 7


def write(path, *tags, **more):
    """Write a picture with private tags: (code, bytes) or (code, kind, count, value)."""
    extra = [(tag[0], UNDEFINED, len(tag[1]), tag[1], True) if len(tag) == 2 else (*tag, True) for tag in tags]
    tifffile.imwrite(path, GREY, extratags=extra, metadata=None, byteorder="<", **more)


def sem(path, um):
    text = f"\r\n0\r\n0\r\n{um * 1e-6}\r\nAP_IMAGE_PIXEL_SIZE\r\nImage Pixel Size = {um * 1e3} nm\r\n"
    write(path, (34118, text.encode()))


def sem_unnamed(path, um):
    write(path, (34118, f"1\r\n2\r\n3\r\n{um * 1e-6}\r\nAP_WD\r\nWD = 5.1 mm\r\n".encode()))


def fei(path, um):
    text = f"[User]\r\nDate=1\r\n[Scan]\r\nPixelWidth={um * 1e-6}\r\nPixelHeight={um * 1e-6}\r\n"
    write(path, (34682, text.encode()))


def tvips(path, um):
    record = np.zeros(1, [*tifffile.TIFF.TVIPS_HEADER_V1, *(("v2_" + n, t) for n, t in tifffile.TIFF.TVIPS_HEADER_V2)])
    record["Version"], record["v2_Magic"] = 2, np.array(0xAAAAAAAA, np.uint32).astype(record["v2_Magic"].dtype)
    record["v2_PixelSizeX"] = record["v2_PixelSizeY"] = um * 1e3
    write(path, (37706, record.tobytes()))


def sis(path, um):
    head = struct.pack("<4s6xhhhhh6x32sH", b"SIS0", 1, 1, 1, 1, 100, b"field", 1)
    sizes = struct.pack("<10xhdd8xd2x34s32s", -6, um, um, 50.0, b"", b"")
    write(path, (33560, head + struct.pack("<hhI", 1, 0, 0) + sizes))
    content = bytearray(path.read_bytes())
    start = content.index(b"SIS0")
    struct.pack_into("<I", content, start + len(head) + 4, start + len(head) + 8)
    path.write_bytes(content)


def lsm(path, um):
    record = np.zeros(1, [(n, t) for n, t in tifffile.TIFF.CZ_LSMINFO])
    record["MagicNumber"], record["StructureSize"] = 67127628, record.dtype.itemsize
    record["DimensionX"], record["DimensionY"], record["DimensionZ"], record["DimensionTime"] = 64, 48, 1, 1
    record["DimensionChannels"] = 1
    record["VoxelSizeX"] = record["VoxelSizeY"] = um * 1e-6
    content = record.tobytes()
    with tifffile.TiffWriter(path, byteorder="<") as file:
        file.write(GREY, extratags=[(34412, UNDEFINED, len(content), content, True)], metadata=None)
        file.write(GREY[::4, ::4], subfiletype=1, metadata=None)


def fluoview(path, um):
    record = np.zeros(1, tifffile.TIFF.MM_HEADER)
    for k, name in enumerate((b"X", b"Y")):
        record["Dimensions"][0, k] = (name, 64, 0.0, um, b"um")
    write(path, (34361, record.tobytes()), (34362, 12, 8, (0.0,) * 8))


def stk(path, um):
    """Write its tags with the places of what they point to, behind the picture."""
    share = (round(um * 10**6), 10**6)
    first, sizes = struct.pack("<II", 0, 1), struct.pack("<HIIHII", 4, *share, 5, *share)
    sizes += struct.pack("<HI", 6, 3) + b"um\0" + b"\0\0"
    places = {33628: 0x7FFFFFF1, 33631: 0x7FFFFFF2}
    write(path, *((code, LONG, 1, place) for code, place in places.items()), (33629, 5, 1, (0, 1)))
    content = path.read_bytes()
    for place, values in zip(places.values(), (first, sizes), strict=True):
        content = content.replace(struct.pack("<I", place), struct.pack("<I", len(content))) + values
    path.write_bytes(content)


def metaseries(path, um):
    known = {"x": ("float", um), "y": ("float", um), "units": ("string", "um"), "state": ("bool", "on")}
    props = "".join(
        f'<prop id="spatial-calibration-{name}" type="{kind}" value="{value}"/>'
        for name, (kind, value) in known.items()
    )
    write(path, description=f"<MetaData><PlaneInfo>{props}</PlaneInfo></MetaData>", software="MetaSeries")


def in_json(path, um):
    text = json.dumps({"PixelSizeUm": um}).encode() + b"\0"
    write(path, (51123, ASCII, len(text), text))


def described(path, um):
    told = {"description": "images=1\nunit=micron\n", "metadata": None}
    tifffile.imwrite(path, GREY, resolution=(1 / um, 1 / um), resolutionunit="NONE", **told)


def described_in_nm(path, um):
    told = {"description": "images=1\nunit=nm\n", "metadata": None}
    tifffile.imwrite(path, GREY, resolution=(1e-3 / um, 1e-3 / um), resolutionunit="NONE", **told)


WRITERS = [sem, sem_unnamed, fei, tvips, sis, lsm, fluoview, stk, metaseries, in_json, described, described_in_nm]


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.__name__)
@pytest.mark.parametrize("um", [0.0372, 0.2])
def test_a_size_comes_back(writer, um, tmp_path):
    """To the figures that the format keeps, with words on where it stood and no stated uncertainty."""
    writer(tmp_path / "f.tif", um)
    found = scale_from_tags(tmp_path / "f.tif")
    assert found is not None
    assert found.um_per_px == pytest.approx(um, rel=2e-6)
    assert found.standard_uncertainty is None
    assert "microscope" in found.origin or "image program" in found.origin


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.__name__)
@pytest.mark.parametrize("um", [0.0, -0.2, 1e4, 1e-9])
def test_a_size_that_no_micrograph_has_is_passed_over(writer, um, tmp_path):
    """Nothing, less than nothing, a centimetre, a thousandth of an atom."""
    try:
        writer(tmp_path / "f.tif", um)
    except (ValueError, ZeroDivisionError, struct.error):
        pytest.skip("that format cannot hold it")
    assert scale_from_tags(tmp_path / "f.tif") is None


@pytest.mark.parametrize("writer", [fluoview, stk, metaseries, in_json, described], ids=lambda w: w.__name__)
def test_exactly_one_is_what_a_program_writes_that_knows_no_size(writer, tmp_path):
    """1 µm a pixel, to the last figure, stands for nothing."""
    writer(tmp_path / "f.tif", 1.0)
    assert scale_from_tags(tmp_path / "f.tif") is None


def test_pixels_that_are_not_square_are_passed_over(tmp_path):
    """A scan with lines twice as far apart as its pixels."""
    write(tmp_path / "f.tif", (34682, b"[Scan]\r\nPixelWidth=2e-7\r\nPixelHeight=4e-7\r\n"))
    assert scale_from_tags(tmp_path / "f.tif") is None


def test_where_one_source_is_nonsense_the_next_is_asked(tmp_path):
    """A damaged tag of a microscope, and sound resolution tags beside it."""
    write(tmp_path / "f.tif", (34682, b"[Scan]\r\nPixelWidth=wide\r\n"), resolution=(50_000, 50_000), resolutionunit=3)
    assert scale_from_tags(tmp_path / "f.tif").um_per_px == pytest.approx(0.2)


@pytest.mark.parametrize("code", [34118, 34680, 34682, 37706, 33560, 34412, 34361, 33628, 51123])
def test_noise_in_a_tag_states_nothing(code, tmp_path):
    """Random bytes where a microscope's tag should be: no scale, and no complaint."""
    noise = np.random.default_rng(code).integers(0, 256, 400, dtype=np.uint8).tobytes()
    write(tmp_path / "f.tif", (code, noise))
    assert scale_from_tags(tmp_path / "f.tif") is None
