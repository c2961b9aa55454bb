"""Coverage-guided fuzzing of everything that reads a file; needs the package atheris.

    python tests/benchmarks/fuzz_readers.py picture 300     # one door of tests/faults/doors.py, seconds

Starts from sound files, changes them where that reaches new code, and stops with the file at the first traceback,
number out of bounds, 2 s or 1 GiB that one file takes. What it found is kept in tests/faults.
"""

import sys
import tempfile
from pathlib import Path

import atheris

FAULTS = Path(__file__).parents[1] / "faults"
sys.path.insert(0, str(FAULTS))

with atheris.instrument_imports(include=["micro", "tifffile", "PIL", "tomllib", "csv"]):
    import doors
    import sound_files


def main(door: str, seconds: str) -> None:
    """Fuzz one door for so many seconds."""
    scratch = Path(tempfile.mkdtemp(prefix="fuzz-"))
    corpus = scratch / "corpus"
    corpus.mkdir()
    for number, content in enumerate(sound_files.sound(door)):
        (corpus / f"{number:03d}").write_bytes(content)
    target = scratch / ("study.toml" if door == "study" else "target")
    if door == "study":
        (scratch / "a1.png").write_bytes(sound_files.picture())
    taken = refused = 0

    def one(content: bytes) -> None:
        nonlocal taken, refused
        target.write_bytes(content)
        if doors.assert_taken_or_refused(door, target):
            taken += 1
        else:
            refused += 1
        if (taken + refused) % 10_000 == 0:
            print(f"{door}: {taken} taken, {refused} refused", flush=True)

    limits = [f"-max_total_time={seconds}", "-timeout=2", "-rss_limit_mb=1024", "-max_len=20000"]
    atheris.Setup([sys.argv[0], *limits, f"-artifact_prefix={scratch}/found-", str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:])
