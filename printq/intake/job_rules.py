"""Rules of jobs: stems that exist and fit, passes that lead somewhere, sums that can be made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from printq.errors import FileError
from printq.files.soundfiles import FileFacts, read_facts
from printq.intake.reading import SourceFile, suggest
from printq.intake.rig_rules import check_ids, check_limits
from printq.models.job import JobFile, Stem
from printq.models.rig import Rig
from printq.models.snapshots import Snapshot

__all__ = ["check_job_rules", "print_names"]

MOST_STEM_S = 3 * 3600
MOST_PASSES = 200


def check_job_rules(
    source: SourceFile, job: JobFile, rig: Rig | None, snapshots: Mapping[str, Snapshot]
) -> dict[str, FileFacts]:
    """Report everything that is wrong with a job; returns the facts of its dry files by stem."""
    stems = {stem.id: stem for stem in job.stem}
    check_ids(source, ("stem",), list(stems))
    check_limits(source, ("limits",), job.limits)
    facts: dict[str, FileFacts] = {}
    for stem in job.stem:
        _check_origin(source, stem)
        found = _read_stem(source, stem, rig)
        if found is not None:
            facts[stem.id] = found
        _check_sources(source, stem, stems)
        for index in range(len(stem.through)):
            _check_pass(source, stem, index, rig, snapshots)
    circle = find_circle(stems)
    if circle is not None:
        key = "sum_of" if stems[circle[0]].sum_of is not None else "made_from"
        source.error(("stem", circle[0], key), f"goes round in a circle: {' <- '.join(circle)}", "take one of them out")
    else:
        _check_channels(source, job, rig, stems, facts)
    _check_time_references(source, job, stems, facts)
    _check_print_names(source, job)
    count = sum(len(stem.through) for stem in job.stem)
    if count == 0:
        source.caution(
            ("stem",), "nothing to print yet", "give a stem its passes: through = [{ insert = …, snapshot = … }]"
        )
    if count > MOST_PASSES:
        source.caution(
            ("stem",), f"{count} passes in one job", f"up to {MOST_PASSES} have been tried; split it if it is slow"
        )
    return facts


def find_circle(stems: Mapping[str, Stem]) -> list[str] | None:
    """Stems that are made from one another in a circle, the first one again at the end; or None."""
    state: dict[str, bool] = {}

    def visit(name: str, trail: list[str]) -> list[str] | None:
        if name in trail:
            return [*trail[trail.index(name) :], name]
        if name in state or name not in stems:
            return None
        for other in needs_of(stems[name]):
            found = visit(other, [*trail, name])
            if found:
                return found
        state[name] = True
        return None

    for name in stems:
        found = visit(name, [])
        if found:
            return found
    return None


def needs_of(stem: Stem) -> list[str]:
    """Stems that a stem is made from."""
    return [*(term.stem for term in stem.sum_terms()), *stem.made_from]


def print_names(stem: Stem) -> Iterator[tuple[int, str]]:
    """(index of the pass, name of its print without folder and version)."""
    counts: dict[str, int] = {}
    for index, through in enumerate(stem.through):
        counts[through.insert] = counts.get(through.insert, 0) + 1
        again = f".{counts[through.insert]}" if counts[through.insert] > 1 else ""
        yield index, f"{stem.id}.{through.insert}{again}"


def print_folder(stem: Stem) -> str:
    """Where the prints of a stem go, relative to the session folder."""
    return Path(stem.file).parent.as_posix() if stem.file is not None else "prints"


def _check_origin(source: SourceFile, stem: Stem) -> None:
    at = ("stem", stem.id)
    if (stem.file is None) == (stem.sum_of is None):
        what = "neither a file nor a sum" if stem.file is None else "both a file and a sum"
        source.error(at, f"is {what}", "exactly one of file and sum_of")
    if stem.made_from and stem.file is None:
        source.error((*at, "made_from"), "only a file is bounced from prints", "use sum_of alone, or name the file")
    if stem.sum_of == []:
        source.error((*at, "sum_of"), "the sum of nothing", "name at least one stem")


def _read_stem(source: SourceFile, stem: Stem, rig: Rig | None) -> FileFacts | None:
    if stem.file is None:
        return None
    at = ("stem", stem.id, "file")
    session = source.path.parent.resolve()
    try:
        path = (session / stem.file).resolve()
        inside = path.is_relative_to(session)
    except (OSError, ValueError) as error:
        source.error(at, f"{stem.file!r} is no path ({error})", "a path relative to this file")
        return None
    if not inside or Path(stem.file).is_absolute():
        source.error(
            at,
            f"{stem.file} is outside the session folder, where its prints would go",
            "copy it below this file's folder",
        )
        return None
    if not path.exists() and stem.made_from:
        return None
    try:
        facts = read_facts(path)
    except FileError as error:
        source.error(at, str(error).replace(str(path), stem.file).split(";")[0], _remedy_of(error))
        return None
    if rig is not None and facts.rate != rig.interface.rate:
        source.error(
            at,
            f"{stem.file} has {facts.rate} Hz and the rig runs at {rig.interface.rate} Hz",
            "export it at the rig's rate, or change the rig; nothing is resampled silently",
        )
    if facts.channels > 2:
        source.error(at, f"{stem.file} has {facts.channels} channels", "export it as mono or stereo")
    if facts.frames > MOST_STEM_S * facts.rate:
        source.caution(at, f"{stem.file} is longer than {MOST_STEM_S // 3600} hours", "split it if it gives trouble")
    return facts


def _remedy_of(error: FileError) -> str:
    parts = str(error).split("; ", 1)
    return parts[1] if len(parts) == 2 else "export it again"


def _check_sources(source: SourceFile, stem: Stem, stems: Mapping[str, Stem]) -> None:
    at = ("stem", stem.id)
    seen: set[str] = set()
    for index, term in enumerate(stem.sum_terms()):
        where = (*at, "sum_of", index)
        if term.stem not in stems:
            source.error(
                where, f"there is no stem {term.stem!r}", suggest(term.stem, [s for s in stems if s != stem.id])
            )
        if term.stem in seen:
            source.error(where, f"{term.stem} is in the sum twice", "name it once, with the gain it should have")
        seen.add(term.stem)
    for index, name in enumerate(stem.made_from):
        if name not in stems:
            source.error((*at, "made_from", index), f"there is no stem {name!r}", suggest(name, list(stems)))


def _check_pass(source: SourceFile, stem: Stem, index: int, rig: Rig | None, snapshots: Mapping[str, Snapshot]) -> None:
    at = ("stem", stem.id, "through", index)
    through = stem.through[index]
    check_limits(source, (*at, "limits"), through.limits)
    if rig is not None and rig.find_insert(through.insert) is None:
        known = [insert.id for insert in rig.insert]
        source.error((*at, "insert"), f"there is no insert {through.insert!r}", suggest(through.insert, known))
    snapshot = snapshots.get(through.snapshot)
    if snapshot is None:
        source.error(
            (*at, "snapshot"),
            f"there is no snapshot {through.snapshot!r}",
            suggest(through.snapshot, list(snapshots)),
        )
    elif snapshot.insert != through.insert:
        fitting = [each.id for each in snapshots.values() if each.insert == through.insert]
        hint = f"for {through.insert} there is {', '.join(fitting)}" if fitting else "make one for this insert"
        source.error((*at, "snapshot"), f"{through.snapshot} belongs to insert {snapshot.insert}", hint)


def stem_channels(
    stem: Stem, stems: Mapping[str, Stem], facts: Mapping[str, FileFacts], rig: Rig
) -> tuple[int | None, int | None]:
    """(channels of what the first pass plays, channels of the last print); None where not known."""
    first: int | None
    if stem.sum_of is None:
        found = facts.get(stem.id)
        first = found.channels if found is not None else (2 if stem.made_from else None)
    else:
        ends = [stem_channels(stems[t.stem], stems, facts, rig)[1] for t in stem.sum_terms() if t.stem in stems]
        first = 2 if 2 in ends or any(term.pan != 0.0 for term in stem.sum_terms()) else 1
    last = first
    for through in stem.through:
        insert = rig.find_insert(through.insert)
        last = insert.channels if insert is not None else last
    return first, last


def _check_channels(
    source: SourceFile, job: JobFile, rig: Rig | None, stems: Mapping[str, Stem], facts: Mapping[str, FileFacts]
) -> None:
    if rig is None:
        return
    for stem in job.stem:
        channels, _ = stem_channels(stem, stems, facts, rig)
        for index, through in enumerate(stem.through):
            insert = rig.find_insert(through.insert)
            if insert is None or channels is None:
                continue
            where = ("stem", stem.id, "through", index, "insert")
            if channels > insert.channels:
                source.error(
                    where,
                    f"a stereo stem does not go through the mono insert {insert.id}",
                    "use a two-channel insert, or split the stem into left and right "
                    '(sides = "one-by-one" is not available in this version)',
                )
            elif channels < insert.channels:
                source.caution(
                    where,
                    f"a mono stem feeds both sides of {insert.id}",
                    "its print is stereo; nothing to do if that is meant",
                )
            channels = insert.channels


def _check_time_references(
    source: SourceFile, job: JobFile, stems: Mapping[str, Stem], facts: Mapping[str, FileFacts]
) -> None:
    for stem in job.stem:
        known = {
            term.stem: facts[term.stem].time_reference is not None for term in stem.sum_terms() if term.stem in facts
        }
        without = [name for name, has in known.items() if not has]
        if without and any(known.values()):
            source.error(
                ("stem", stem.id, "sum_of"),
                f"some files carry a time reference and {', '.join(without)} {'do' if len(without) > 1 else 'does'} not",
                "export all of them as Broadcast Wave, or none",
            )


def _check_print_names(source: SourceFile, job: JobFile) -> None:
    taken: dict[str, str] = {}
    files = {str(Path(stem.file).as_posix()).lower(): stem.id for stem in job.stem if stem.file is not None}
    for stem in job.stem:
        folder = print_folder(stem)
        for index, name in print_names(stem):
            at = ("stem", stem.id, "through", index)
            key = f"{folder}/{name}".lower()
            other = taken.setdefault(key, stem.id)
            if other != stem.id:
                source.error(at, f"would write the same print as stem {other}: {name}", "give the stem another id")
            for path, owner in files.items():
                if path.startswith(key + ".v") and path.endswith(".wav"):
                    source.error(
                        ("stem", owner, "file"),
                        f"has the name of a print that {stem.id}/{stem.through[index].insert} writes",
                        "rename the dry file",
                    )
