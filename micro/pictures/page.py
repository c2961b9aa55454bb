"""What pages share that hold all they show: templates, data addresses, JSON that is no script, what they may load."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache, partial
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

# What would end a script element, or a line of a script, within a text.
UNSAFE = {character: f"\\u{ord(character):04x}" for character in "<>&\u2028\u2029"}


@cache
def template_text(room: str, name: str) -> str:
    """Text of a template, style or script of a room of the package."""
    return files(f"micro.{room}").joinpath("templates", name).read_text(encoding="utf8")


def rendered(room: str, name: str, *, trim_blocks: bool = False, **values: Any) -> str:
    """Page from a template of a room; every value is escaped unless the template marks it as safe."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(partial(template_text, room)),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=trim_blocks,
    )
    return environment.get_template(name).render(**values)


def address_of(kind: str, content: bytes) -> str:
    """Write a file of that kind, such as text/csv, as a data address."""
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


def jpeg(picture: NDArray[np.uint8], quality: int, optimize: bool = False) -> bytes:
    """JPEG file of a grey (rows, columns) or blue, green, red (rows, columns, 3) picture."""
    import cv2

    how = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, int(optimize)]
    return cv2.imencode(".jpg", picture, how)[1].tobytes()


def no_wider(picture: NDArray[Any], widest_px: int) -> NDArray[Any]:
    """Shrink a picture to at most so many columns.

    By halves first, which is ten times as fast as by a broken number, and the same mean of what a pixel covers.
    """
    import cv2

    rows, columns = picture.shape[:2]
    high = max(1, round(rows * widest_px / columns))
    while picture.shape[1] >= 2 * widest_px and min(picture.shape[:2]) > 1:
        picture = cv2.resize(picture, (picture.shape[1] // 2, picture.shape[0] // 2), interpolation=cv2.INTER_AREA)
    if columns > widest_px:
        picture = cv2.resize(picture, (widest_px, high), interpolation=cv2.INTER_AREA)
    return picture


def inert_json(content: Any) -> str:
    """JSON that can stand in a script whatever the texts in it."""
    text = json.dumps(content, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return "".join(UNSAFE.get(character, character) for character in text)


def content_policy(pictures: str, style: str, script: str) -> str:
    """Content security policy: pictures, style and script from these sources, and nothing else."""
    return (
        f"default-src 'none'; img-src {pictures}; style-src {style}; script-src {script}; base-uri 'none'; "
        "form-action 'none'"
    )


def only(text: str) -> str:
    """Source of a policy that allows this style or script alone."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
