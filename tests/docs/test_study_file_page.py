"""The study file by example: the examples are read by the program, and the JSON Schema agrees with it."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

from micro.errors import UsageError
from micro.review.keys import review_schema
from micro.study.keys import study_schema
from micro.study.reader import read_study

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/study-file.md").read_text(encoding="utf-8")
SCHEMA = study_schema()
KEYS = {"study": SCHEMA["properties"]} | {
    name.removesuffix("Keys").lower(): table["properties"]
    for name, table in SCHEMA["$defs"].items()
    if name != "ContentKeys"  # its keys are elements
}
# Tables that are the value of one key: the row of that key names what is in them.
VALUES = {"crop_px": KEYS.pop("crop"), "leave_out": KEYS.pop("box")}
EXAMPLES = re.findall(r"^```toml\n(.*?)^```", PAGE, flags=re.DOTALL | re.MULTILINE)
PICTURES = ("bar-1/1.tif", "ingot/1.tif", "ingot/2.tif", "more/last.tif", "powder/1.png")


@pytest.fixture
def folder(tmp_path):
    for name in PICTURES:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    return tmp_path


def read(folder, text):
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_study(path)


def keys_by_table(text):
    table = tomllib.loads(text)
    used = {kind: set() for kind in KEYS}
    used["study"] |= set(table)
    for carbide in table.get("carbide", []):
        used["carbide"] |= set(carbide)
    for specimen in table["specimen"]:
        used["specimen"] |= set(specimen)
        for kind in ("class", "field"):
            for entry in specimen.get(kind, []):
                used[kind] |= set(entry)
    return used


@pytest.mark.parametrize("example", EXAMPLES, ids=["smallest", "all keys"])
def test_examples_of_the_page_are_study_files(example, folder):
    study = read(folder, example)
    assert all(specimen.fields for specimen in study.specimens)


def test_the_full_example_says_what_its_remarks_promise(folder):
    ingot, powder = read(folder, EXAMPLES[1]).specimens
    assert [f.shown for f in ingot.fields] == ["ingot/1.tif", "ingot/2.tif", "more/last.tif"]
    assert ingot.binning == 2
    assert ingot.fields[0].settings.matrix_grey is None
    assert ingot.fields[2].settings.matrix_grey == 118
    assert ingot.fields[2].settings.class_names == ("M7C3", "MC")
    assert powder.calibration is None
    assert powder.um_per_px == 0.2


def test_every_key_of_the_program_stands_in_the_full_example():
    used = keys_by_table(EXAMPLES[1])
    anywhere = set().union(*used.values())
    assert set().union(*(set(keys) for keys in KEYS.values())) - anywhere == set()
    assert {kind: used[kind] - set(KEYS[kind]) for kind in KEYS} == {kind: set() for kind in KEYS}


@pytest.mark.parametrize("key", VALUES)
def test_the_row_of_a_key_names_what_its_table_holds(key):
    (row,) = [line for line in PAGE.splitlines() if line.startswith(f"| `{key}` |")]
    assert set(VALUES[key]) <= set(re.findall(r"`(\w+)`", row))


def test_every_key_of_the_program_has_a_row_with_the_tables_it_belongs_to():
    """The page's table names each key, and each place where the program takes it."""
    words = {"study": "top", "specimen": "specimen", "class": "class", "field": "field", "carbide": "carbide"}
    rows = dict(re.findall(r"^\| `(\w+)` \| ([\w, ]+) \|", PAGE, flags=re.MULTILINE))
    wanted = {}
    for kind, keys in KEYS.items():
        for key in keys:
            wanted.setdefault(key, set()).add(words[kind])
    assert {key: set(places.split(", ")) for key, places in rows.items()} == wanted


def test_the_schemas_in_the_docs_are_those_of_the_program():
    """After a change of keys: `python docs/write_tables.py`."""
    for name, schema in (("study", SCHEMA), ("review", review_schema())):
        jsonschema.Draft202012Validator.check_schema(schema)
        assert json.loads((ROOT / f"docs/{name}.schema.json").read_text(encoding="utf-8")) == schema


@pytest.mark.parametrize("text", [*EXAMPLES, (ROOT / "samples/study.toml").read_text(encoding="utf-8")])
def test_schema_takes_what_the_program_takes(text):
    assert list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(tomllib.loads(text))) == []


SMALLEST = '[[specimen]]\nname = "a"\nimages = ["bar-1/*.tif"]\n'


@pytest.mark.parametrize(
    "text",
    [
        'title = "no specimen"\n',
        '[[specimen]]\nname = "a"\n',
        'tint = "red"\n' + SMALLEST,
        SMALLEST + "rolling_deg = 181\n",
        SMALLEST + "rolling_deg = true\n",
        SMALLEST + "um_per_px = 0\n",
        SMALLEST + 'um_per_px = 0.2\ncalibration = "50x.toml"\n',
        SMALLEST + 'route = "forged"\n',
        SMALLEST + 'plane = "oblique"\n',
        SMALLEST + "binning = 0\n",
        SMALLEST + "min_area_px = -1\n",
        SMALLEST + "page = 0.5\n",
        SMALLEST + 'carbides = "grey"\n',
        SMALLEST + "[[specimen.class]]\ngrey = 100\n",
        SMALLEST + "[specimen.composition]\nC = 101\n",
        SMALLEST + '[[specimen.field]]\nimage = "bar-1/1.tif"\nrolling_deg = 3\n',
        SMALLEST.replace('["bar-1/*.tif"]', "[]"),
    ],
)
def test_schema_refuses_what_the_program_refuses(text, folder):
    with pytest.raises(UsageError):
        read(folder, text)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(text), SCHEMA)
