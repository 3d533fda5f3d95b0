"""When each file of a session was last written: bags keep no times, and some of them mean something.

A file that was bounced from prints has to be newer than they are, and a file whose size and time are unchanged need
not be read again.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from printq.archive.writer import Item

__all__ = ["FORMAT", "TIMES", "restore_times", "times_text"]

LATEST_NS = 1 << 62
"""In the year 2116; the system takes no more than 63 bits."""
TIMES = "times.json"
"""Its name among the notes."""
FORMAT = "printq-times/1"


def times_text(items: Iterable[Item]) -> str:
    """The times of all that is copied from disk, in nanoseconds since 1970."""
    times = {item.path: item.source.stat().st_mtime_ns for item in items if isinstance(item.source, Path)}
    return json.dumps({"format": FORMAT, "mtime_ns": dict(sorted(times.items()))}, indent=1, ensure_ascii=False) + "\n"


def restore_times(folder: Path) -> int:
    """Give the files of a restored payload their times again; returns how many. Nothing outside is touched.

    A payload without such a list, or with one that makes no sense, is left as it is.
    """
    done = 0
    for listed in sorted(folder.glob(f"notes*/{TIMES}")):
        for name, mtime_ns in _read(listed).items():
            path = folder / name
            if path.is_file() and path.resolve().is_relative_to(folder.resolve()):
                os.utime(path, ns=(mtime_ns, mtime_ns))
                done += 1
    return done


def _read(listed: Path) -> dict[str, int]:
    try:
        document: Any = json.loads(listed.read_bytes())
    except (OSError, ValueError):
        return {}
    times = document.get("mtime_ns") if isinstance(document, dict) and document.get("format") == FORMAT else None
    if not isinstance(times, dict):
        return {}
    return {name: time for name, time in times.items() if isinstance(time, int) and 0 <= time < LATEST_NS}
