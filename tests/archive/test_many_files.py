"""Bags with very many files: what an audit needs of memory does not grow with their number."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from printq.archive.bagit import DECLARATION

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="peak memory is asked of POSIX here")
MILLION = 1_000_000
AUDIT = """
import resource, sys
from pathlib import Path
from printq.archive.audit import audit_bag
from printq.archive.session_audit import check_session
audit = audit_bag(Path(sys.argv[1]), content_checks=[check_session])
kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (1024 if sys.platform == "darwin" else 1)
print(audit.files, len(audit.findings) + audit.more_findings, kilobytes)
"""


def write_lines(bag: Path, lines: Iterable[str]) -> Path:
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_bytes(DECLARATION)
    with (bag / "manifest-sha512.txt").open("w", encoding="utf-8") as file:
        file.writelines(lines)
    return bag


def audited(bag: Path) -> tuple[int, int, int]:
    """Files, findings and peak memory in megabytes of a process that does nothing else."""
    command = [sys.executable, "-c", AUDIT, str(bag)]
    done = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=True)
    files, findings, kilobytes = map(int, done.stdout.split())
    return files, findings, kilobytes // 1024


@pytest.mark.slow
def test_a_manifest_of_a_million_lines_is_audited_in_the_memory_of_a_short_one(tmp_path: Path) -> None:
    """The lines alone have 150 MB; every file that they speak of is missing, and only counted from some point on."""
    digest = hashlib.sha512(b"").hexdigest()
    short = audited(write_lines(tmp_path / "short", [f"{digest}  data/0.wav\n"]))
    lines = (f"{digest}  data/take {number:07d}.wav\n" for number in range(MILLION))
    long = audited(write_lines(tmp_path / "long", lines))
    assert (short[1], long[1]) == (1, MILLION)
    assert long[2] <= short[2] + 32, (short, long)


@pytest.mark.slow
def test_names_are_compared_in_memory_that_does_not_grow(tmp_path: Path) -> None:
    """As before a restore: 150,000 names in a dictionary have 28 MB."""
    code = (
        "import resource, sys; from printq.archive.ledger import name_clash\n"
        "assert name_clash(f'takes {n % 100}/{n:07d}.wav' for n in range(int(sys.argv[1]))) is None\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (1 << (20 if sys.platform == 'darwin' else 10)))"
    )
    few, many = (
        int(subprocess.run([sys.executable, "-c", code, count], capture_output=True, text=True, check=True).stdout)
        for count in ("100", "150000")
    )
    assert many <= few + 12, (few, many)


@pytest.mark.slow
def test_a_payload_of_many_files_is_audited_in_the_memory_of_a_small_one(tmp_path: Path) -> None:
    """What is known of a file in a dictionary has about a kilobyte: for so many files that would be seen."""
    count = 30_000
    digest = hashlib.sha512(b"").hexdigest()
    small = write_lines(tmp_path / "small", [f"{digest}  data/0.txt\n"])
    (small / "data/0.txt").touch()
    large = write_lines(tmp_path / "large", (f"{digest}  data/{number}.txt\n" for number in range(count)))
    for number in range(count):
        (large / f"data/{number}.txt").touch()
    few, many = audited(small), audited(large)
    assert (few[:2], many[:2]) == ((3, 0), (count + 2, 0))
    assert many[2] <= few[2] + 12, (few, many)
