"""A trouble is data until somebody reads it: it keeps its values through JSON, and is put together by its values."""

import json
import math
import re
from pathlib import Path
from string import Formatter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import micro
from micro.issue_kinds import KINDS, SEVERITIES
from micro.issues import Issue, flag_text, gravest_first, grouped, issue, message_text, ordered

PACKAGE = Path(micro.__file__).parent
ADVICE = {
    "check", "improve", "say", "lower", "pin", "take", "raise", "look", "leave", "refocus", "find", "let", "save",
    "etch", "compare", "name", "if", "count", "review",
}  # fmt: skip


def example(kind):
    """Return an issue of that kind: texts where the template forms no number, else 0.31."""
    values = {}
    for _, name, form, _ in Formatter().parse(KINDS[kind].template):
        if name and not (name in values and not form):
            listed = {"places": [["A", "a2"]], "scales": [["A", 0.2, 0.2], ["B", 0.4, 0.5]], "": "some"}
            values[name] = listed.get(form, 0.31)
    return Issue(kind, values)


def through_json(found):
    return Issue.from_json(json.loads(json.dumps(found.to_json(), allow_nan=False)))


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_what_to_do_with_all_its_values(kind):
    """No brace is left in the text; whatever puts a number in doubt comes with advice, which starts with a verb."""
    found = example(kind)
    assert not set("{}") & set(found.text)
    assert found.severity in SEVERITIES
    if found.severity != "note":
        assert KINDS[kind].do.lstrip("(").split()[0].strip(",") in ADVICE
        assert found.text.endswith(KINDS[kind].do)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_found_somewhere_in_the_program(kind):
    """None is documented that never occurs: its name stands as a text in a module other than the registry."""
    sources = (path.read_text(encoding="utf8") for path in PACKAGE.rglob("*.py") if path.name != "issue_kinds.py")
    assert any(f'"{kind}"' in source for source in sources)


@pytest.mark.parametrize("kind", KINDS)
def test_an_issue_comes_back_whole_from_json(kind):
    """With its text, to the last figure, so that a run that takes up an earlier one writes the same bytes."""
    found = example(kind).at("a1")
    assert through_json(found) == found
    assert through_json(found).text == found.text


@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(1e-9, 1e9))
def test_any_number_survives_json(blur, ecd):
    """What is not finite is unknown, in the file and in words."""
    found = issue("soft_focus", blur_px=np.float64(blur), median_ecd_px=ecd)
    assert through_json(found) == found
    assert found.values["blur_px"] == (blur if math.isfinite(blur) else None)
    assert ("unknown px" in found.text) == (not math.isfinite(blur))


@pytest.mark.parametrize(
    "stored",
    [
        {"kind": "no such kind", "values": {}},
        {"kind": "rows_cut", "values": {}},
        {"kind": "rows_cut", "values": {"rows": 3, "more": 4}},
        {"kind": "rows_cut", "values": {"rows": {}}},
    ],
)
def test_what_is_no_issue_is_refused(stored):
    """A damaged record is measured again, not shown with holes."""
    with pytest.raises(ValueError, match="issue"):
        Issue.from_json(stored)


@given(st.lists(st.tuples(st.floats(0, 1), st.sampled_from("abc"), st.sampled_from(["brighter", "darker"]))))
def test_issues_are_put_together_by_their_data(found):
    """One group for each kind and word; its numbers reach from the least to the largest, the largest place first."""
    every = [issue("halo", side=side, over_contrast=share, half_width=0.1).at(place) for share, place, side in found]
    groups = grouped(every)
    assert len(groups) == len({side for _, _, side in found})
    assert sorted(map(repr, (one for group in groups for one in group.issues))) == sorted(map(repr, every))
    for group in groups:
        shares = [one.values["over_contrast"] for one in group.issues]
        ends = list(dict.fromkeys(f"{100 * end:.1f}" for end in (min(shares), max(shares))))
        assert f"by {' to '.join(ends)} % of" in group.text
        assert f"{100 * shares[0]:.1f}" == ends[-1]


def test_what_rounds_to_nothing_has_no_minus():
    told = [issue("texture_at_edges", change=change, half_width=0.05) for change in (-0.0001, 0.003)]
    assert "+0.0 % for it, and may be off by 5.0 %" in told[0].text
    (group,) = grouped(told)
    assert "+0.0 to +0.3 %" in group.text


@pytest.mark.parametrize("kind", [kind for kind in KINDS if KINDS[kind].flag == "areas_differ"])
def test_what_widens_an_area_says_by_how_much(kind):
    """In percent of the value, so that one line can be set above another."""
    assert f"{100 * example(kind).half_width:.1f} %" in example(kind).text


@given(st.lists(st.tuples(st.sampled_from(["no_lens", "filtered", "domed"]), st.floats(0, 2)), min_size=1))
def test_the_worst_comes_first(found):
    """Lines about two hundred fields begin with what leaves most of the number open, whichever check found it."""
    values = {"domed": {"change": 0.1}}
    every = [issue(kind, half_width=size, **values.get(kind, {})).at(str(size)) for kind, size in found]
    note, lost = issue("rows_cut", rows=3), issue("faint_alone", most=0.1, side="darker")
    order = gravest_first([note, *every, lost])
    assert order[0] == lost and order[-1] == note
    groups = grouped(order[1:-1])
    assert [max(float(place) for place in group.places) for group in groups] == sorted(
        (max(size for kind, size in found if kind == one) for one in dict.fromkeys(k for k, _ in found)), reverse=True
    )
    for group in groups:
        assert f"{100 * float(group.places[0]):.1f}" in group.text


def test_words_that_hold_numbers_are_words():
    """Fields called 3 and 7 are not a range: what differs in words is said twice."""
    found = [issue("duplicated", others=[["A", name]], fields=2).at("A 1") for name in ("3", "7")]
    assert [group.text.split(" (")[0] for group in grouped(found)] == [
        "the same picture as A 3",
        "the same picture as A 7",
    ]
    many = issue("overlapping", others=[["A", str(k)] for k in range(5)], share=0.2)
    assert "A 0, A 1, A 2 and 2 more" in many.text
    assert "3 to 4 carbide classes" in grouped([issue("other_class_count", found=k, usual=1) for k in (3, 4)])[0].text
    assert "1 carbide class," in issue("other_class_count", found=1, usual=2).text


@given(st.permutations(sorted(KINDS)))
def test_the_order_is_that_of_the_registry(kinds):
    """Whichever check comes first, texts and flags are the same; a flag of several kinds stands once."""
    found = ordered(example(kind) for kind in kinds)
    assert [one.kind for one in found] == list(KINDS)
    names = flag_text(example(kind) for kind in kinds).split()
    assert names == list(dict.fromkeys(kind.flag for kind in KINDS.values()))
    assert message_text(found) == "; ".join(one.text for one in found)


def test_no_code_reads_a_message_back():
    """No module that handles issues searches a text; regular expressions read files and names only."""
    searching = {p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py")
                 if re.search(r"^import re$|^from re import", p.read_text(encoding="utf8"), re.MULTILINE)}  # fmt: skip
    assert searching <= {
        "address.py", "comparison/coupon_file.py", "points/tally.py", "study/model.py", "study/reader.py",
        "report/build.py", "image/unpacking.py", "owned.py", "results.py",
    }  # fmt: skip
