"""Reads a job with everything it names."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from printq.errors import JobError
from printq.intake.job_rules import Surroundings, check_job_rules
from printq.intake.reading import Findings, SourceFile, read_file
from printq.intake.resolve import resolve_job
from printq.intake.rig_rules import check_ids, check_rig
from printq.intake.snapshot_rules import check_snapshot
from printq.models.job import JobFile
from printq.models.passes import Job
from printq.models.problem import Problem
from printq.models.rig import Rig
from printq.models.snapshots import Snapshot, SnapshotFile

__all__ = ["CheckReport", "check_job", "load_job", "load_rig"]

JOB_FILE = "job.toml"


@dataclass(frozen=True)
class CheckReport:
    """What was found."""

    problems: tuple[Problem, ...]
    job: Job | None
    """None where a problem is an error."""


def load_job(path: Path) -> Job:
    """The job of a file or of a folder with a `job.toml`.

    Raises JobError with every problem of every file.
    """
    report = check_job(path)
    if report.job is None:
        raise JobError([problem for problem in report.problems if problem.severity == "error"])
    return report.job


def load_rig(path: Path) -> Rig:
    """A rig file by itself. Raises JobError with every problem of it."""
    findings = Findings()
    source, rig = read_file(path, _shown(path), Rig, findings)
    if rig is not None:
        check_rig(source, rig)
    if rig is None or findings.has_errors:
        raise JobError([problem for problem in findings.sorted() if problem.severity == "error"])
    return rig


def check_job(path: Path) -> CheckReport:
    """Check a job and all that it names; reads and writes nothing else."""
    job_path = path / JOB_FILE if _is_folder(path) else path
    findings = Findings()
    source, file = read_file(job_path, _shown(job_path), JobFile, findings)
    if file is None:
        return CheckReport(tuple(findings.sorted()), None)
    rig_path = job_path.parent / file.rig
    rig_source, rig = None, None
    if not source.is_lost(("rig",)):
        rig_source, rig = read_file(rig_path, _shown(rig_path), Rig, findings)
        if rig is not None:
            check_rig(rig_source, rig)
    snapshots, snapshot_ids = _read_snapshots(source, file, rig_source, rig, findings)
    facts = check_job_rules(source, file, Surroundings(rig_source, rig, snapshots, snapshot_ids))
    problems = tuple(findings.sorted())
    if rig is None or findings.has_errors:
        return CheckReport(problems, None)
    return CheckReport(problems, resolve_job(job_path, file, rig_path, rig, snapshots, facts, problems))


def _read_snapshots(
    job_source: SourceFile, file: JobFile, rig_source: SourceFile | None, rig: Rig | None, findings: Findings
) -> tuple[dict[str, Snapshot], frozenset[str] | None]:
    """Usable snapshots by id, and all ids that are written; None where those are not known."""
    found: dict[str, Snapshot] = {}
    origin: dict[str, str] = {}
    ids: set[str] = set()
    unknown = job_source.is_lost(("snapshots",))
    for place, name in enumerate(file.snapshots):
        path = job_source.path.parent / name
        source, snapshots = read_file(path, _shown(path), SnapshotFile, findings)
        written = source.entry_ids(("snapshot",))
        if snapshots is None or written is None:
            unknown = True
            continue
        ids |= written
        check_ids(source, ("snapshot",))
        for index, snapshot in enumerate(snapshots.snapshot):
            if origin.setdefault(snapshot.id, name) != name:
                job_source.error(
                    ("snapshots", place),
                    f"snapshot {snapshot.id!r} is in {origin[snapshot.id]} and in {name}",
                    "give one of them another id",
                )
            found.setdefault(snapshot.id, snapshot)
            if rig is not None and rig_source is not None:
                check_snapshot(source, snapshot, index, rig_source, rig)
    return found, None if unknown else frozenset(ids)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a name that is too long
        return False


def _shown(path: Path) -> str:
    """A path as the person would type it from here."""
    try:
        relative = os.path.relpath(path)
    except ValueError:  # another drive
        return path.as_posix()
    return path.as_posix() if relative.startswith("..") else Path(relative).as_posix()
