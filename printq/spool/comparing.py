"""Takes of one pass, and prints before it: what a take is compared with, and which of several is used."""

from __future__ import annotations

import statistics

from printq.models.passes import Job, Pass
from printq.models.verdict import Agreement
from printq.spool.identity import describe_changes
from printq.spool.journal import Journal, TakeEntry
from printq.spool.paths import SessionPaths
from printq.verify import Reference, nearest_take, recording_of, with_drift

__all__ = ["CHOSEN", "choose_take", "references_for", "repeatability_of"]

CHOSEN = "chosen among the others"
"""Why a take is to be delivered, where several were recorded."""
LEAST_RECORDS = 2
"""Nulls of an insert that have to be on record before it is measured by them."""


def references_for(
    job: Job, each: Pass, journal: Journal, paths: SessionPaths, good: list[int], identity: dict[str, object]
) -> tuple[Reference, ...]:
    """What a new take is nulled against: good takes beside it; else the last print of the same stem and settings."""
    entries = [journal.take(each.id, number) for number in good]
    found = [_reference(each, paths, entry, f"take {entry.number}", entry.number) for entry in entries]
    kept = tuple(reference for reference in found if reference is not None)
    if kept:
        return kept
    delivery = journal.last_delivery(each.id)
    if delivery is None or describe_changes(delivery.identity, identity, each):
        return ()
    name = f"print v{delivery.version}"
    before = _reference(each, paths, journal.take(each.id, delivery.take), name, None)
    return (before,) if before is not None else ()


def _reference(each: Pass, paths: SessionPaths, entry: TakeEntry, name: str, take: int | None) -> Reference | None:
    if entry.record is None or entry.trim is None or not paths.absolute(entry.file).exists():
        return None
    return Reference(name, take, recording_of(paths.session, entry.record, entry.trim, each.print_frames))


def repeatability_of(job: Job, each: Pass, journal: Journal) -> float | None:
    """How deep takes in a row null on an insert at these settings, by the record; None where little is on it."""
    settings = job.snapshot_of(each).settings
    depths = [
        agreement.depth_db
        for other in job.passes
        if other.insert == each.insert
        for entry in journal.takes(other.id)
        if entry.verdict is not None and entry.settings == settings and entry.state in ("delivered", "spare")
        for agreement in entry.verdict.agreements
        if agreement.depth_db is not None and agreement.take is not None
    ]
    return statistics.median(depths) if len(depths) >= LEAST_RECORDS else None


def choose_take(job: Job, each: Pass, journal: Journal, numbers: list[int]) -> TakeEntry:
    """Of several good takes the one nearest to the others; its verdict then tells of all of them.

    The others become spares. On disk when it returns.
    """
    entries = {number: journal.take(each.id, number) for number in numbers}
    found = {number: _agreements(entry) for number, entry in entries.items()}
    chosen = nearest_take(found)
    own = [agreement for agreement in found[chosen] if agreement.take in entries]
    others = [
        agreement.turned(f"take {number}", number)
        for number, agreements in found.items()
        for agreement in agreements
        if agreement.take == chosen
    ]
    verdict = entries[chosen].verdict
    assert verdict is not None
    judged = with_drift(verdict, each.limits, [*own, *others], repeatability_of(job, each, journal))
    with journal.step():
        journal.set_take(each.id, chosen, state="taken", why=CHOSEN, verdict=judged)
        for number in numbers:
            if number != chosen:
                journal.set_take(each.id, number, state="spare", why=f"take {chosen} lies nearer to the others")
        journal.tell("chosen", f"take {chosen} of takes {', '.join(map(str, numbers))}", each.id)
    return journal.take(each.id, chosen)


def _agreements(entry: TakeEntry) -> tuple[Agreement, ...]:
    return entry.verdict.agreements if entry.verdict is not None else ()
