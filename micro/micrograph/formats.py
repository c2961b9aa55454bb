"""What kind of file this is, by its first bytes; the ending of the name is only believed when they agree."""

from __future__ import annotations

from pathlib import Path

SIGNATURES = (
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"BM", "BMP"),
)
ENDINGS = {
    ".tif": "TIFF",
    ".tiff": "TIFF",
    ".png": "PNG",
    ".jpg": "JPEG",
    ".jpeg": "JPEG",
    ".bmp": "BMP",
}
FOREIGN = (
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\0\0\0\x0cjP", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\x89HDF", "an HDF5 file"),
    (b"8BPS", "a layered picture"),
    (b"<", "a web page, XML or SVG text"),
)


def format_of(head: bytes) -> str | None:
    """Return TIFF, PNG, JPEG or BMP by the first bytes of a file; None for anything else."""
    return next((name for signature, name in SIGNATURES if head.startswith(signature)), None)


def described(head: bytes) -> str:
    """Say in words what a file that is none of our formats seems to hold."""
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP picture"
    for signature, words in FOREIGN:
        if head.startswith(signature):
            return words
    text = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    return "text" if text == len(head) else "no picture that is known here"


def mislabelled(path: Path, found: str) -> str:
    """Message where the name's ending promises another format than the content; else empty."""
    promised = ENDINGS.get(path.suffix.lower())
    if promised == found:
        return ""
    return f"named {path.suffix or 'without an ending'} but holds a {found} picture, read as that"
