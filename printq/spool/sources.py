"""Which files a pass plays, and what is in them.

The audio of a file is known by a checksum of its decoded samples. A file is only read in full when its
size or time has changed since it was read last.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from printq.files.checksums import AudioHasher, file_sha256
from printq.files.soundfiles import SoundReader
from printq.files.stems import StemPart
from printq.models.passes import FileSource, Job, Pass, PrintSource
from printq.spool.journal import FileStamp, Journal
from printq.spool.paths import SessionPaths

__all__ = ["PrintFiles", "bounce_problem", "names_of", "read_stamp", "source_parts"]

PrintFiles = dict[str, str]
"""Pass id to the path of its newest print, relative to the session."""

BLOCK_FRAMES = 1 << 16


def source_parts(paths: SessionPaths, each: Pass, prints: PrintFiles) -> list[StemPart]:
    """The files that a pass plays; prints that do not exist yet raise KeyError."""
    source = each.source
    if isinstance(source, FileSource):
        return [StemPart(paths.absolute(source.path))]
    if isinstance(source, PrintSource):
        return [StemPart(paths.absolute(prints[source.pass_id]))]
    return [
        StemPart(
            path=paths.absolute(prints[part.pass_id] if part.pass_id is not None else part.path or ""),
            gain_db=part.gain_db,
            pan=part.pan,
            offset_frames=part.offset_frames,
        )
        for part in source.parts
    ]


def names_of(paths: SessionPaths, parts: Sequence[StemPart]) -> list[str]:
    """The files of a source, relative to the session."""
    return [part.path.relative_to(paths.session).as_posix() for part in parts]


def read_stamp(paths: SessionPaths, journal: Journal, name: str, *, remember: bool) -> FileStamp:
    """Checksums of a file, from the journal where its size and time are unchanged.

    Raises FileError where it cannot be read.
    """
    path = paths.absolute(name)
    known = journal.stamp(name)
    stat = path.stat() if path.exists() else None
    if known and stat and (known.size, known.mtime_ns) == (stat.st_size, stat.st_mtime_ns):
        return known
    with SoundReader(path) as reader:
        hasher = AudioHasher(reader.facts.rate, reader.facts.channels)
        for block in reader.blocks(BLOCK_FRAMES):
            hasher.add(block)
    found = path.stat()
    stamp = FileStamp(found.st_size, found.st_mtime_ns, file_sha256(path), hasher.hexdigest())
    if remember:
        journal.set_stamp(name, stamp)
    return stamp


def bounce_problem(paths: SessionPaths, job: Job, each: Pass, prints: PrintFiles) -> str | None:
    """Why a file that was bounced elsewhere from prints cannot be used yet, or None.

    It must be there and be newer than every print that went into it.
    """
    source = each.source
    if not isinstance(source, FileSource) or not source.made_from:
        return None
    bounced = paths.absolute(source.path)
    if not bounced.exists():
        return f"bounce again: {source.path} is not there yet"
    made = bounced.stat().st_mtime_ns
    for needed in source.made_from:
        print_file = paths.absolute(prints[needed]) if needed in prints else None
        if print_file is not None and print_file.exists() and print_file.stat().st_mtime_ns > made:
            return f"bounce again: {source.path} is older than {Path(prints[needed]).name}"
    return None
