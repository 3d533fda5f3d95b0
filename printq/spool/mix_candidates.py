"""What a mix may be made of: the sums of the job, their prints, or all stems as they start together."""

from __future__ import annotations

from collections.abc import Sequence

from printq.archive.sum_proof import Candidate
from printq.files.soundfiles import read_facts
from printq.files.stems import StemPart, SummedFiles
from printq.models.passes import FileSource, Job, Pass, PrintSource, SumSource
from printq.models.proof import SummedPart
from printq.spool.paths import SessionPaths
from printq.spool.standing import Survey

__all__ = ["mix_candidates", "played_parts"]


def played_parts(each: Pass, surveyed: Survey) -> tuple[SummedPart, ...]:
    """What a pass plays, in the session's words; what is not printed is left out."""
    source = each.source
    if isinstance(source, FileSource):
        return (_plain(each.stem, source.path),)
    if isinstance(source, PrintSource):
        name = surveyed.prints.get(source.pass_id)
        return (_plain(each.stem, name),) if name is not None else ()
    parts = []
    for part in source.parts:
        name = surveyed.prints.get(part.pass_id) if part.pass_id is not None else part.path
        if name is not None:
            parts.append(
                SummedPart(
                    stem=part.stem,
                    file=name,
                    gain_db=part.gain_db,
                    pan=part.pan,
                    offset_frames=part.offset_frames,
                )
            )
    return tuple(parts)


def mix_candidates(job: Job, paths: SessionPaths, surveyed: Survey) -> tuple[list[Candidate], str]:
    """What a mix is held against, and why it is nothing where it is nothing.

    Every sum of the job and every print of a sum; where the job has no sum, the last prints of all stems at unity,
    placed by their time references. Files that were bounced elsewhere from prints count as sums of those.
    """
    candidates: list[Candidate] = []
    missing: list[str] = []
    last: dict[str, Pass] = {each.stem: each for each in job.passes}
    of_sums = {each.stem for each in job.passes if isinstance(each.source, SumSource)}
    bounced = {each.stem: each.source for each in job.passes if isinstance(each.source, FileSource)}
    finals = {stem for stem, source in bounced.items() if source.made_from}
    for each in job.passes:
        if isinstance(each.source, SumSource):
            parts = played_parts(each, surveyed)
            if len(parts) == len(each.source.parts) and _are_there(paths, parts):
                candidates.append(
                    _candidate(
                        paths, f"sum of the prints in {each.stem}", parts, each.source_channels, each.source_frames
                    )
                )
            else:
                missing.append(f"not every print of {each.stem} is there")
        if each.stem in of_sums | finals and each.id in surveyed.prints:
            part = _plain(each.stem, surveyed.prints[each.id])
            if _are_there(paths, [part]):
                facts = read_facts(paths.absolute(part.file))
                candidates.append(_candidate(paths, each.id, (part,), facts.channels, facts.frames, is_print=True))
    for stem in sorted(finals):
        made_from = [job.find_pass(pass_id) for pass_id in bounced[stem].made_from]
        files = {each.stem: surveyed.prints.get(each.id) for each in made_from if each is not None}
        there = {name: file for name, file in files.items() if file is not None and paths.absolute(file).is_file()}
        if len(there) == len(made_from):
            starts = {each.stem: each.time_reference for each in made_from if each is not None}
            candidates.append(_all_together(paths, f"sum of what {stem} was bounced from", there, starts))
    if not of_sums and not finals:
        stems = [name for name in dict.fromkeys([*job.dry_files, *last]) if name not in finals]
        files = {name: _last_file(job, surveyed, last.get(name), name) for name in stems}
        there = {name: file for name, file in files.items() if file is not None and paths.absolute(file).is_file()}
        if there:
            starts = {
                name: last[name].time_reference if name in last else job.dry_files[name].time_reference
                for name in there
            }
            candidates.append(_all_together(paths, "sum of all stems", there, starts))
        missing += [f"{name} is not printed" for name in stems if name not in there]
    return candidates, "; ".join(missing) or "the job has no stems"


def _last_file(job: Job, surveyed: Survey, last: Pass | None, stem: str) -> str | None:
    if last is not None:
        return surveyed.prints.get(last.id)
    return job.dry_files[stem].path if stem in job.dry_files else None


def _all_together(paths: SessionPaths, called: str, files: dict[str, str], starts: dict[str, int | None]) -> Candidate:
    facts = {stem: read_facts(paths.absolute(name)) for stem, name in files.items()}
    known = [start for start in starts.values() if start is not None]
    # Files without a start begin together; a mixture says nothing about where those without belong.
    placed = len(known) == len(starts)
    earliest = min(known, default=0)
    parts = tuple(
        SummedPart(
            stem=stem,
            file=name,
            gain_db=0.0,
            pan=0.0,
            offset_frames=(starts[stem] or 0) - earliest if placed else 0,
        )
        for stem, name in files.items()
    )
    return _candidate(
        paths,
        called,
        parts,
        max(found.channels for found in facts.values()),
        max(part.offset_frames + facts[part.stem].frames for part in parts),
    )


def _candidate(
    paths: SessionPaths,
    name: str,
    parts: tuple[SummedPart, ...],
    channels: int,
    frames: int,
    *,
    is_print: bool = False,
) -> Candidate:
    files = tuple(
        StemPart(paths.absolute(part.file), gain_db=part.gain_db, pan=part.pan, offset_frames=part.offset_frames)
        for part in parts
    )
    return Candidate(name, SummedFiles(files, channels, frames), parts, is_print=is_print)


def _are_there(paths: SessionPaths, parts: Sequence[SummedPart]) -> bool:
    return all(paths.absolute(part.file).is_file() for part in parts)


def _plain(stem: str, name: str) -> SummedPart:
    return SummedPart(stem=stem, file=name, gain_db=0.0, pan=0.0, offset_frames=0)
