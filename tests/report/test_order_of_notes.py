"""What a reader must distrust stands above what touches no number, on the page and in the terminal."""

from micro.batch.job import Outcome
from micro.cli.options import issue_lines
from micro.issues import issue
from micro.report.page import notices

NOTE = issue("rows_cut", rows=64)
DOUBT = issue("soft_focus", blur_px=3.1, median_ecd_px=14)
UNKNOWN = issue("nothing_left")
OUTCOMES = [
    Outcome("A", "a1", "a1", "a1.tif", issues=(NOTE, DOUBT)),
    Outcome("A", "a2", "a2", "a2.tif", issues=(UNKNOWN,)),
]


def test_doubts_and_remarks_stand_apart_on_the_page():
    """The gravest first; cut rows are no reason to distrust a number."""
    doubts, remarks = notices(OUTCOMES, touching=True), notices(OUTCOMES, touching=False)
    assert [line.split(":")[0] for line in remarks] == ["64 rows at the bottom were cut"]
    assert [line.rsplit(": ", 1)[1] for line in doubts] == ["A a2.", "A a1."]


def test_remarks_come_last_in_the_terminal():
    """Whoever reads the first lines reads what matters."""
    assert [line.split(":")[0] for line in issue_lines(OUTCOMES)] == ["a2.tif", "a1.tif", "a1.tif"]
    assert issue_lines(OUTCOMES)[-1].endswith("were cut")
