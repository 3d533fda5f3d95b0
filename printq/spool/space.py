"""How much room takes and prints need on the disk."""

from __future__ import annotations

from collections.abc import Sequence

from printq.files.atomic import free_bytes
from printq.models.passes import Job, Pass

__all__ = ["bytes_needed", "describe_bytes", "space_problem"]

TAKE_BYTES = 4
HEADERS = 4096


def bytes_needed(job: Job, passes: Sequence[Pass], delivered_again: Sequence[Pass] = ()) -> int:
    """Bytes for the takes and prints of some passes, and for prints that are made from kept takes."""
    return sum(_take_bytes(job, each) + _print_bytes(job, each) for each in passes) + sum(
        _print_bytes(job, each) for each in delivered_again
    )


def space_problem(job: Job, passes: Sequence[Pass], delivered_again: Sequence[Pass] = ()) -> str | None:
    """Why it would not fit, in a sentence, or None where it does."""
    needed = bytes_needed(job, passes, delivered_again)
    free = free_bytes(job.session)
    if needed <= free:
        return None
    return (
        f"takes and prints need {describe_bytes(needed)} and {job.session} has {describe_bytes(free)} free; "
        "make room there, or print fewer stems at a time with --only"
    )


def describe_bytes(count: int) -> str:
    """A number of bytes as people read it."""
    size = float(count)
    for unit in ("bytes", "kB", "MB", "GB"):
        if size < 1000.0:
            return f"{size:.0f} {unit}" if unit == "bytes" else f"{size:.1f} {unit}"
        size /= 1000.0
    return f"{size:.1f} TB"


def _take_bytes(job: Job, each: Pass) -> int:
    insert = job.insert_of(each)
    channels = each.channels + (1 if insert.uses_timing_loop else 0)
    return job.options.takes * (each.layout.total * channels * TAKE_BYTES + HEADERS)


def _print_bytes(job: Job, each: Pass) -> int:
    return each.print_frames * each.channels * job.options.bit_depth // 8 + HEADERS
