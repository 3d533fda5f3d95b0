"""Where every pass stands, worked out from the job, the journal and the files on disk.

Nothing is remembered that could be looked up: states are derived each time, so that an edit, a deleted
print or a killed run needs nobody to clean up after it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from printq.models.limits import Limit
from printq.models.passes import FileSource, Job, Pass, SumSource
from printq.models.standing import PassState, Standing
from printq.spool.identity import TIME_REFERENCE, describe_changes, identify, source_identity
from printq.spool.journal import Delivery, Journal, TakeEntry
from printq.spool.paths import SessionPaths
from printq.spool.sources import PrintFiles, bounce_problem, read_stamp

__all__ = ["PassSituation", "Redelivery", "Survey", "look_at", "survey", "terms_of"]


@dataclass(frozen=True)
class Redelivery:
    """A print that can be delivered from a kept take, without a new pass."""

    take: TakeEntry
    version: int | None
    """The version whose name it gets back; None for the next one."""


@dataclass(frozen=True)
class PassSituation:
    """One pass as it stands."""

    each: Pass
    state: PassState
    reason: str
    identity: dict[str, Any] | None
    """What its print depends on now; None while that is not known yet."""
    takes: list[TakeEntry]
    delivery: Delivery | None
    redelivery: Redelivery | None = None
    good: tuple[TakeEntry, ...] = ()
    """Takes that wait for others to be compared with."""
    waits: bool = False
    """Something that it needs is not printed, or a file has to be bounced first."""

    @property
    def is_done(self) -> bool:
        return self.state == "printed"

    @property
    def keeps_its_audio(self) -> bool:
        """Whether its newest print is, or will be again, what stands in the journal."""
        if self.state == "printed":
            return True
        again = self.redelivery
        return again is not None and self.delivery is not None and again.take.number == self.delivery.take

    def describe(self) -> Standing:
        """The record that people and scripts get."""
        last = next((take for take in reversed(self.takes) if take.record is not None), None)
        shown = self.takes[-1] if self.state == "held" and self.takes else last
        if self.state in ("printed", "stale") and self.delivery is not None:
            shown = next((take for take in self.takes if take.number == self.delivery.take), last)
        checks = shown.verdict.checks if shown is not None and shown.verdict is not None else ()
        return Standing(
            pass_id=self.each.id,
            state=self.state,
            takes=sum(1 for take in self.takes if take.record is not None),
            take_file=last.file if last is not None else None,
            print_file=self.delivery.target if self.delivery is not None else None,
            version=self.delivery.version if self.delivery is not None else None,
            reason=self.reason,
            latency_samples=shown.timing.delay_samples if shown is not None and shown.timing is not None else None,
            checks=checks,
        )


@dataclass
class Survey:
    """All passes of a job as they stand, in the job's order."""

    situations: dict[str, PassSituation] = field(default_factory=dict)
    prints: PrintFiles = field(default_factory=dict)
    checksums: dict[str, str] = field(default_factory=dict)
    """Audio checksums of dry files by path, and of prints by pass."""

    def keep(self, situation: PassSituation) -> None:
        """Take in what was found of a pass, for those that are made from it."""
        name = situation.each.id
        self.situations[name] = situation
        self.checksums.pop(name, None)
        if situation.delivery is not None:
            self.prints[name] = situation.delivery.target
            if situation.keeps_its_audio:
                self.checksums[name] = situation.delivery.audio_sha256

    def pending(self, stems: frozenset[str] | None = None) -> list[str]:
        """Passes that need a new take and can have one in this run, in the job's order; of some stems, or of all."""
        blocked = self.blocked()
        found: list[str] = []
        for name, situation in self.situations.items():
            wanted = situation.state in ("queued", "stale") and situation.redelivery is None and name not in blocked
            if wanted and _is_of(situation, stems) and self.awaited(name, stems, found) is None:
                found.append(name)
        return found

    def awaited(self, name: str, stems: frozenset[str] | None, pending: Collection[str]) -> str | None:
        """Something that a pass is made from and that will not be there in a run of these stems; None where all will.

        `pending` are the passes before it that are recorded in that run.
        """
        for need in self.situations[name].each.needs:
            source = self.situations[need]
            delivered = source.redelivery is not None and _is_of(source, stems)
            if not (source.is_done or delivered or need in pending):
                return need
        return None

    def why_it_waits(self, name: str, stems: frozenset[str] | None) -> str:
        """Why a pass is not, or was not, recorded in a run of these stems; empty where nothing speaks against it."""
        situation = self.situations[name]
        awaited = None
        if not situation.reason and _is_of(situation, stems):
            awaited = self.awaited(name, stems, self.pending(stems))
        return (
            situation.reason if awaited is None else f"waits for {awaited}, which is {self.situations[awaited].state}"
        )

    def blocked(self) -> set[str]:
        """Passes that no run can do now: held, or waiting for a person, and all that needs them."""
        blocked: set[str] = set()
        for name, found in self.situations.items():
            if found.state == "held" or found.waits or blocked.intersection(found.each.needs):
                blocked.add(name)
        return blocked


def _is_of(situation: PassSituation, stems: frozenset[str] | None) -> bool:
    return stems is None or situation.each.stem in stems


def survey(job: Job, journal: Journal, paths: SessionPaths, *, remember: bool = False, running: bool = False) -> Survey:
    """Look at everything; with `remember`, checksums that had to be worked out are kept in the journal.

    `running`: another process has the session, so that takes which the journal calls rolling are.

    Raises FileError where a dry file cannot be read.
    """
    found = Survey()
    for each in job.passes:
        found.keep(look_at(job, each, journal, paths, found, remember=remember, running=running))
    return found


def look_at(
    job: Job,
    each: Pass,
    journal: Journal,
    paths: SessionPaths,
    known: Survey,
    *,
    remember: bool,
    running: bool = False,
    fresh: bool = False,
) -> PassSituation:
    """One pass, given that all it needs have been looked at; `fresh`: dry files are looked at again as well."""
    takes = journal.takes(each.id)
    delivery = journal.last_delivery(each.id)
    needed = [known.situations[name] for name in each.needs]

    def stands(state: PassState, reason: str, **more: Any) -> PassSituation:
        return PassSituation(each, state, reason, identity, takes, delivery, good=good, **more)

    identity: dict[str, Any] | None = None
    bounce = bounce_problem(paths, job, each, known.prints)
    if bounce is None:
        _learn_dry_files(job, each, journal, paths, known, remember=remember, fresh=fresh)
        source = source_identity(job, each, known.checksums)
        identity = identify(job, each, source) if source is not None else None
    asked = [request for request in journal.reprints(each.id) if not request.done]
    good = tuple(take for take in takes if _waits_for_others(job, paths, take, identity, each, delivery))
    last = next((take for take in reversed(takes) if take.state not in ("failed", "spare")), None)
    if running and last is not None and last.state == "rolling":
        return stands("rolling", f"take {last.number} is in the air")
    if last is not None and (delivery is None or last.number > delivery.take):
        if last.state == "held" and (identity is None or _unchanged(job, last, identity, each)):
            return stands("held", last.why or "checks failed")
        if last.state in ("taken", "delivered") and _is_kept(paths, last) and _unchanged(job, last, identity, each):
            return stands("taken", "recorded; not delivered yet", redelivery=Redelivery(last, None))
        if last.state == "good" and len(good) >= job.options.takes:
            return stands("taken", "recorded; not delivered yet", redelivery=Redelivery(good[-1], None))
    if bounce is not None:
        return stands("stale" if delivery is not None else "queued", bounce, waits=True)
    if delivery is None:
        begun = f"{len(good)} of {job.options.takes} takes recorded" if good else ""
        return stands("queued", _why_queued(asked, last, needed) or begun)
    if asked:
        return stands("stale", f"reprint asked for: {asked[-1].note}")
    reasons = _changes(job, delivery, identity, each, needed)
    kept = next((take for take in takes if take.number == delivery.take), None)
    take_is_there = kept is not None and kept.state != "failed" and _is_kept(paths, kept)
    if reasons and identity is not None and _only_time_reference(delivery, identity) and take_is_there:
        assert kept is not None
        return stands(
            "taken", f"{reasons[0]}; delivered again from take {kept.number}", redelivery=Redelivery(kept, None)
        )
    if reasons:
        return stands("stale", "; ".join(reasons))
    gone = _print_problem(paths, journal, delivery, remember=remember)
    if gone is None:
        return stands("printed", "")
    missing, words = gone
    if take_is_there:
        assert kept is not None
        again = Redelivery(kept, delivery.version if missing else None)
        return stands("taken", f"{words}; delivered again from take {kept.number}", redelivery=again)
    if missing:
        return stands("queued", f"{words}, and so is its take")
    return stands("stale", words)


def _learn_dry_files(
    job: Job, each: Pass, journal: Journal, paths: SessionPaths, known: Survey, *, remember: bool, fresh: bool
) -> None:
    source = each.source
    files: list[str] = []
    if isinstance(source, FileSource):
        files = [source.path]
    elif isinstance(source, SumSource):
        files = [part.path for part in source.parts if part.pass_id is None and part.path is not None]
    for name in files:
        if fresh or name not in known.checksums:
            known.checksums[name] = read_stamp(paths, journal, name, remember=remember).audio_sha256


def _unchanged(job: Job, take: TakeEntry, identity: dict[str, Any] | None, each: Pass) -> bool:
    """Whether a take is still of what the files ask for, and a held one was judged on the terms of now."""
    if identity is None or describe_changes(take.identity, identity, each):
        return False
    return take.state != "held" or take.terms == terms_of(job, each)


def _waits_for_others(
    job: Job,
    paths: SessionPaths,
    take: TakeEntry,
    identity: dict[str, Any] | None,
    each: Pass,
    delivery: Delivery | None,
) -> bool:
    """Whether a take is one of those that the next print is chosen from."""
    if take.state != "good" or take.record is None or (delivery is not None and take.number < delivery.take):
        return False
    return _is_kept(paths, take) and _unchanged(job, take, identity, each)


def terms_of(job: Job, each: Pass) -> dict[str, Any]:
    """What decided about a take besides its sound: an edit of any of it gives a held pass another chance."""
    interface = job.rig.interface
    simulation = interface.simulation
    faults = simulation.fault if simulation is not None else []
    return {
        "limits": {
            name: limit.model_dump() if isinstance(limit, Limit) else limit for name, limit in each.limits.items()
        },
        "layout": each.layout.model_dump(),
        "marker_dbfs": job.insert_of(each).marker_dbfs,
        "max_in_dbu": {unit.id: unit.max_in_dbu for unit in job.units_of(each)},
        "full_scale_send_dbu": interface.full_scale_send_dbu,
        "retries": [job.options.retries, job.options.glitch_retries],
        "simulation": simulation.model_dump(mode="json", exclude={"fault"}) if simulation is not None else None,
        "faults": [fault.model_dump(mode="json") for fault in faults if fault.pass_ == each.id],
    }


def _is_kept(paths: SessionPaths, take: TakeEntry) -> bool:
    """Whether a take was recorded to its end and is still on disk."""
    return take.record is not None and paths.absolute(take.file).exists()


def _why_queued(asked: list[Any], last: TakeEntry | None, needed: list[PassSituation]) -> str:
    waiting = [other for other in needed if not other.is_done]
    if waiting:
        return f"waits for {waiting[0].each.id}, which is {waiting[0].state}"
    if asked:
        return f"reprint asked for: {asked[-1].note}"
    if last is not None and last.state == "held":
        return "held before; edited since"
    return ""


def _changes(
    job: Job, delivery: Delivery, identity: dict[str, Any] | None, each: Pass, needed: list[PassSituation]
) -> list[str]:
    """Why a print no longer is what the files ask for: what changed here, then what it is made from."""
    made_from = [f"made from {other.each.id}, which is {other.state}" for other in needed if not other.keeps_its_audio]
    if made_from or identity is None:
        # What it will play is not known yet; all else can be compared already.
        own = identify(job, each, delivery.identity["source"])
        return describe_changes(delivery.identity, own, each) + (made_from or ["what it is made from is not printed"])
    return describe_changes(delivery.identity, identity, each)


def _only_time_reference(delivery: Delivery, identity: dict[str, Any]) -> bool:
    return {**delivery.identity, TIME_REFERENCE: None} == {**identity, TIME_REFERENCE: None}


def _print_problem(
    paths: SessionPaths, journal: Journal, delivery: Delivery, *, remember: bool
) -> tuple[bool, str] | None:
    """(whether a file is missing, what is wrong in words), or None where print and sidecar are in order."""
    target = paths.absolute(delivery.target)
    sidecar = paths.absolute(delivery.sidecar)
    if not target.exists():
        return True, f"{target.name} is gone"
    sidecar_gone = (True, f"{sidecar.name} is gone") if not sidecar.exists() else None
    stat = target.stat()
    if (stat.st_size, stat.st_mtime_ns) == (delivery.size, delivery.mtime_ns):
        return sidecar_gone
    from printq.files.checksums import file_sha256

    if file_sha256(target) != delivery.file_sha256:
        return False, f"{target.name} was changed after it was delivered"
    if remember:
        journal.finish_delivery(delivery.pass_id, delivery.version, stat.st_size, stat.st_mtime_ns)
    return sidecar_gone
