"""The counting page: one HTML file that needs no server and no network."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from importlib.resources import files
from typing import Any

from micro.columns import names
from micro.points.sheet import DETAIL_PX, Sheet
from micro.points.tally import TALLY

# What would end a script element, or a line of a script, within a text.
UNSAFE = {character: f"\\u{ord(character):04x}" for character in "<>&\u2028\u2029"}


def counting_page(sheet: Sheet) -> str:
    """HTML of the sheet: fields in the order of the sheet, nothing of the automatic result."""
    style, script = template_text("sheet.css"), template_text("sheet.js")
    return environment().get_template("sheet.html").render(
        sheet=sheet,
        style=style,
        script=script,
        policy=content_policy(style, script),
        manifest=inert_json(manifest(sheet)),
        pictures=[(_base64(f.overview), _base64(f.details)) for f in sheet.fields],
    )  # fmt: skip


def manifest(sheet: Sheet) -> dict[str, Any]:
    """Everything the page's script knows, pictures apart."""
    return {
        "sheet": sheet.identity,
        "classes": list(sheet.classes),
        "columns": names(TALLY),
        "detail_px": DETAIL_PX,
        "fields": [
            {
                "specimen": f.specimen,
                "field": f.field,
                "image_sha256": f.image_sha256,
                "width_px": f.width_px,
                "height_px": f.height_px,
                "grid_columns": f.grid.columns,
                "x_px": [round(float(x), 2) for x in f.grid.x_px],
                "y_px": [round(float(y), 2) for y in f.grid.y_px],
            }
            for f in sheet.fields
        ],
    }


def inert_json(content: Any) -> str:
    """JSON that can stand in a script element whatever the texts in it."""
    text = json.dumps(content, ensure_ascii=True, separators=(",", ":"))
    return "".join(UNSAFE.get(character, character) for character in text)


def content_policy(style: str, script: str = "") -> str:
    """Content security policy: this style, this script, pictures of the page itself, and nothing else."""
    allowed = [f"script-src '{_hash(script)}'"] if script else []
    rules = ["default-src 'none'", "img-src data: blob:", f"style-src '{_hash(style)}'", *allowed]
    return "; ".join([*rules, "base-uri 'none'", "form-action 'none'"])


@cache
def template_text(name: str) -> str:
    """Text of a template's style or script."""
    return files("micro.points").joinpath("templates", name).read_text(encoding="utf8")


@cache
def environment() -> Any:
    """Templates of this room; every value is escaped unless the template marks it as safe."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FunctionLoader(template_text), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode()


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
