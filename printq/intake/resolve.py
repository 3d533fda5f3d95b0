"""From checked files to the resolved job: passes with sources, layouts, limits and names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from printq.files.soundfiles import FileFacts
from printq.intake.job_rules import order_stems, print_folder, print_names
from printq.models.job import JobFile, Stem
from printq.models.layout import PassLayout
from printq.models.limits import resolve_limits
from printq.models.passes import AudioFacts, FileSource, Job, Pass, PrintSource, Source, SumPart, SumSource
from printq.models.problem import Problem
from printq.models.rig import Rig
from printq.models.snapshots import Snapshot

__all__ = ["resolve_job"]


@dataclass(frozen=True)
class _Signal:
    """What a pass plays, or what a stem ends as."""

    source: Source | None
    needs: tuple[str, ...]
    channels: int
    frames: int
    time_reference: int | None


def resolve_job(
    job_path: Path,
    file: JobFile,
    rig_path: Path,
    rig: Rig,
    snapshots: Mapping[str, Snapshot],
    facts: Mapping[str, FileFacts],
    cautions: Sequence[Problem],
) -> Job:
    """Resolve a job whose files have been checked and fit together."""
    session = job_path.parent.resolve()
    stems = {stem.id: stem for stem in file.stem}
    ends: dict[str, _Signal] = {}
    passes: dict[str, list[Pass]] = {}

    order, _ = order_stems(stems)
    for stem in (stems[name] for name in order):
        signal = _origin(stem, ends, facts, passes, rig)
        passes[stem.id] = []
        for index, name in print_names(stem):
            each = _resolve_pass(file, rig, stem, index, name, signal)
            passes[stem.id].append(each)
            signal = _Signal(
                PrintSource(pass_id=each.id), (each.id,), each.channels, each.print_frames, signal.time_reference
            )
        ends[stem.id] = signal
    return Job(
        session=session,
        job_file=job_path.name,
        rig_file=_relative(rig_path, session),
        title=file.title,
        rig=rig,
        options=file.options,
        snapshots=dict(snapshots),
        dry_files={name: _describe(stems[name], found) for name, found in facts.items()},
        passes=tuple(each for name in order for each in passes[name]),
        cautions=tuple(cautions),
    )


def _origin(
    stem: Stem,
    ends: Mapping[str, _Signal],
    facts: Mapping[str, FileFacts],
    passes: Mapping[str, list[Pass]],
    rig: Rig,
) -> _Signal:
    """What the first pass of a stem plays."""
    if stem.file is not None:
        made_from = tuple(passes[name][-1].id for name in stem.made_from if passes[name])
        source = FileSource(path=Path(stem.file).as_posix(), made_from=made_from)
        found = facts.get(stem.id)
        if found is None:
            # Still to be bounced; as wide as its insert until it is there.
            insert = rig.find_insert(stem.through[0].insert) if stem.through else None
            return _Signal(source, made_from, insert.channels if insert else 2, 0, None)
        return _Signal(source, made_from, found.channels, found.frames, found.time_reference)
    terms = stem.sum_terms()
    starts = [ends[term.stem].time_reference for term in terms]
    known = [start for start in starts if start is not None]
    earliest = min(known) if known else None
    parts = []
    for term, start in zip(terms, starts, strict=True):
        end = ends[term.stem]
        last = end.source
        parts.append(
            SumPart(
                stem=term.stem,
                pass_id=last.pass_id if isinstance(last, PrintSource) else None,
                path=last.path if isinstance(last, FileSource) else None,
                gain_db=term.gain_db,
                pan=term.pan,
                offset_frames=start - earliest if start is not None and earliest is not None else 0,
                channels=end.channels,
                frames=end.frames,
            )
        )
    wide = any(part.channels == 2 or part.pan != 0.0 for part in parts)
    return _Signal(
        SumSource(parts=tuple(parts)),
        tuple(part.pass_id for part in parts if part.pass_id is not None),
        2 if wide else 1,
        max(part.offset_frames + part.frames for part in parts),
        earliest,
    )


def _resolve_pass(file: JobFile, rig: Rig, stem: Stem, index: int, name: str, signal: _Signal) -> Pass:
    through = stem.through[index]
    insert = rig.find_insert(through.insert)
    assert insert is not None
    assert signal.source is not None
    rate = rig.interface.rate
    again = name.removeprefix(f"{stem.id}.{through.insert}").removeprefix(".")
    return Pass(
        id=f"{stem.id}/{through.insert}" + (f"#{again}" if again else ""),
        stem=stem.id,
        insert=through.insert,
        snapshot=through.snapshot,
        place=index,
        source=signal.source,
        needs=signal.needs,
        source_channels=signal.channels,
        source_frames=signal.frames,
        time_reference=signal.time_reference,
        rate=rate,
        channels=insert.channels,
        send_db=through.send_db,
        return_db=through.return_db,
        blend=through.blend,
        limits=resolve_limits(through.limits, insert.limits, file.limits),
        layout=PassLayout.make(file.options, insert, signal.frames, rate),
        folder=print_folder(stem),
        print_name=name,
    )


def _describe(stem: Stem, facts: FileFacts) -> AudioFacts:
    return AudioFacts(
        path=Path(stem.file or "").as_posix(),
        rate=facts.rate,
        channels=facts.channels,
        frames=facts.frames,
        encoding=facts.encoding,
        time_reference=facts.time_reference,
    )


def _relative(path: Path, session: Path) -> str:
    resolved = path.resolve()
    return resolved.relative_to(session).as_posix() if resolved.is_relative_to(session) else resolved.as_posix()
