"""Rules of jobs: stems that exist and fit, passes that lead somewhere, sums that can be made."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from printq.errors import FileError
from printq.files.soundfiles import FileFacts, read_facts
from printq.intake.locate import KeyPath
from printq.intake.reading import SourceFile
from printq.intake.rig_rules import check_ids, check_limits
from printq.intake.wording import shorten, suggest
from printq.models.job import JobFile, Stem, Through
from printq.models.rig import Rig
from printq.models.snapshots import Snapshot

__all__ = ["Surroundings", "check_job_rules", "needs_of", "order_stems", "print_folder", "print_names"]

MOST_STEM_S = 3 * 3600
MOST_PASSES = 200


@dataclass(frozen=True)
class Surroundings:
    """What a job names, as far as it could be read."""

    rig_source: SourceFile | None
    rig: Rig | None
    snapshots: Mapping[str, Snapshot]
    snapshot_ids: frozenset[str] | None
    """Ids that are written, those of broken snapshots included; None where a file of snapshots could not be read."""

    def has_insert(self, name: str) -> bool:
        """Whether the rig has it; True where that cannot be known."""
        return self.rig_source is None or self.rig_source.has_entry(("insert",), name)

    def has_snapshot(self, name: str) -> bool:
        """Whether there is such a snapshot; True where that cannot be known."""
        return self.snapshot_ids is None or name in self.snapshot_ids

    @property
    def rate(self) -> int | None:
        """Sample rate of the rig in Hz; None where it is not known."""
        if self.rig is None or self.rig_source is None or self.rig_source.is_lost(("interface", "rate")):
            return None
        return self.rig.interface.rate


def check_job_rules(source: SourceFile, job: JobFile, around: Surroundings) -> dict[str, FileFacts]:
    """Report everything that is wrong with a job; returns the facts of its dry files by stem."""
    stems = {stem.id: stem for stem in job.stem}
    check_ids(source, ("stem",))
    check_limits(source, ("limits",), job.limits)
    facts: dict[str, FileFacts] = {}
    for index, stem in enumerate(job.stem):
        at = ("stem", index)
        _check_origin(source, stem, at)
        found = _read_stem(source, stem, at, around.rate)
        if found is not None:
            facts[stem.id] = found
        _check_sources(source, stem, at, stems)
        for place, through in enumerate(stem.through):
            _check_pass(source, through, (*at, "through", place), around)
    order, circles = order_stems(stems)
    for circle in circles:
        key = "sum_of" if stems[circle[0]].sum_of else "made_from"
        source.error(("stem", circle[0], key), f"goes round in a circle: {' <- '.join(circle)}", "take one of them out")
    if not circles:
        for index, stem in enumerate(job.stem):
            _check_prints_exist(source, stem, ("stem", index), stems)
        _check_time_references(source, stems, order, facts)
    _check_channels(source, job, around, stems, order, facts)
    _check_faults(job, around)
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


def needs_of(stem: Stem) -> list[str]:
    """Stems that a stem is made from."""
    return [*(term.stem for term in stem.sum_terms()), *stem.made_from]


def order_stems(stems: Mapping[str, Stem]) -> tuple[list[str], list[list[str]]]:
    """Stems in the order of the job, but each after all that it is made from; and what goes round in circles.

    A circle begins and ends with the same stem, each made from the next. Written without recursion, so that long
    chains do no harm.
    """
    order: list[str] = []
    circles: list[list[str]] = []
    done: set[str] = set()
    for first in stems:
        trail: dict[str, Iterator[str]] = {}
        if first not in done:
            trail[first] = iter(needs_of(stems[first]))
        while trail:
            name, needs = next(reversed(trail.items()))
            need = next(needs, None)
            if need is None:
                del trail[name]
                done.add(name)
                order.append(name)
            elif need in trail:
                names = list(trail)
                circles.append([*names[names.index(need) :], need])
            elif need in stems and need not in done:
                trail[need] = iter(needs_of(stems[need]))
    return order, circles


def print_names(stem: Stem) -> Iterator[tuple[int, str]]:
    """(index of the pass, name of its print without folder and version)."""
    counts: dict[str, int] = {}
    for index, through in enumerate(stem.through):
        counts[through.insert] = counts.get(through.insert, 0) + 1
        again = f".{counts[through.insert]}" if counts[through.insert] > 1 else ""
        yield index, f"{stem.id}.{through.insert}{again}"


def print_folder(stem: Stem) -> str:
    """Where the prints of a stem go, relative to the session folder."""
    return posixpath.dirname(_tidy(stem.file)) or "." if stem.file is not None else "prints"


def _tidy(path: str) -> str:
    """A path with `/` and without detours, so that two spellings of one place are equal."""
    return posixpath.normpath(Path(path).as_posix())


def _check_origin(source: SourceFile, stem: Stem, at: KeyPath) -> None:
    if any(source.is_lost((*at, key)) for key in ("file", "sum_of", "made_from")):
        return
    if (stem.file is None) == (stem.sum_of is None):
        what = "neither a file nor a sum" if stem.file is None else "both a file and a sum"
        source.error(at, f"is {what}", "give it exactly one of file and sum_of")
    if stem.made_from and stem.file is None:
        source.error((*at, "made_from"), "only a file is bounced from prints", "use sum_of alone, or name the file")
    if stem.sum_of == []:
        source.error((*at, "sum_of"), "the sum of nothing", "name at least one stem")


def _read_stem(source: SourceFile, stem: Stem, stem_at: KeyPath, rate: int | None) -> FileFacts | None:
    if stem.file is None:
        return None
    at = (*stem_at, "file")
    if not stem.file.strip():
        source.error(at, "no file is named", "the path of the dry file, relative to this file")
        return None
    if Path(stem.file).is_absolute():
        source.error(
            at, f"{stem.file} is an absolute path", "a path relative to this file, so that the session can be moved"
        )
        return None
    session = source.path.parent.resolve()
    try:
        path = (session / stem.file).resolve()
        inside = path.is_relative_to(session)
        if inside and stem.made_from and not path.exists():
            return None
        facts = read_facts(path) if inside else None
    except FileError as error:
        what, _, remedy = str(error).replace(str(path), stem.file).partition("; ")
        if "\\" in stem.file:
            remedy = "write / between the parts of a path"
        source.error(at, what, remedy or "name the file in it")
        return None
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: links that go in circles
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        source.error(at, f"{shorten(stem.file)!r} is no usable path ({reason})", "a path relative to this file")
        return None
    if facts is None:
        source.error(
            at,
            f"{stem.file} is outside the session folder, where its prints would go",
            "copy it below this file's folder",
        )
        return None
    if rate is not None and facts.rate != rate:
        source.error(
            at,
            f"{stem.file} has {facts.rate} Hz and the rig runs at {rate} Hz",
            "export it at the rig's rate, or change the rig; nothing is resampled silently",
        )
    if facts.channels > 2:
        source.error(at, f"{stem.file} has {facts.channels} channels", "export it as mono or stereo")
    if facts.frames > MOST_STEM_S * facts.rate:
        source.caution(at, f"{stem.file} is longer than {MOST_STEM_S // 3600} hours", "split it if it gives trouble")
    return facts


def _check_sources(source: SourceFile, stem: Stem, at: KeyPath, stems: Mapping[str, Stem]) -> None:
    others = [name for name in stems if name != stem.id]
    for key, names in (("sum_of", [term.stem for term in stem.sum_terms()]), ("made_from", stem.made_from)):
        for index, name in enumerate(names):
            where = (*at, key, index)
            if name not in stems and not source.has_entry(("stem",), name):
                source.error(where, f"there is no stem {name!r}", suggest(name, others))
            if name in names[:index]:
                source.error(where, f"{name} is there twice", "name it once")


def _check_prints_exist(source: SourceFile, stem: Stem, at: KeyPath, stems: Mapping[str, Stem]) -> None:
    """A stem is made from prints or dry files; a sum that takes no pass is neither."""
    for key, names in (("sum_of", [term.stem for term in stem.sum_terms()]), ("made_from", stem.made_from)):
        for index, name in enumerate(names):
            other = stems.get(name)
            lost = any(source.is_lost(("stem", name, part)) for part in ("file", "through"))
            if other is not None and other.sum_of and other.file is None and not other.through and not lost:
                source.error(
                    (*at, key, index),
                    f"{name} is a sum that takes no pass, so there is no print of it",
                    f"give {name} a pass, or name the stems that it sums",
                )
            elif key == "sum_of" and other is not None and other.made_from and not other.through and not lost:
                source.error(
                    (*at, key, index),
                    f"{name} is bounced from prints and takes no pass, so nothing says when it is up to date",
                    f"give {name} a pass, or name the stems that it is bounced from",
                )


def _check_pass(source: SourceFile, through: Through, at: KeyPath, around: Surroundings) -> None:
    check_limits(source, (*at, "limits"), through.limits)
    if not around.has_insert(through.insert):
        known = [insert.id for insert in around.rig.insert] if around.rig is not None else []
        source.error((*at, "insert"), f"there is no insert {through.insert!r}", suggest(through.insert, known))
    snapshot = around.snapshots.get(through.snapshot)
    fitting = [each.id for each in around.snapshots.values() if each.insert == through.insert]
    if snapshot is None:
        if not around.has_snapshot(through.snapshot):
            source.error(
                (*at, "snapshot"),
                f"there is no snapshot {through.snapshot!r}",
                suggest(through.snapshot, fitting or list(around.snapshots)),
            )
    elif snapshot.insert != through.insert and all(map(around.has_insert, (through.insert, snapshot.insert))):
        hint = f"for {through.insert} there is {', '.join(fitting)}" if fitting else "make one for this insert"
        source.error((*at, "snapshot"), f"{through.snapshot} belongs to insert {snapshot.insert}", hint)


def _check_channels(
    source: SourceFile,
    job: JobFile,
    around: Surroundings,
    stems: Mapping[str, Stem],
    order: list[str],
    facts: Mapping[str, FileFacts],
) -> None:
    if around.rig is None or around.rig_source is None:
        return
    places = {stem.id: index for index, stem in enumerate(job.stem)}
    ends: dict[str, int | None] = {}
    """Channels of each stem's last print; None where not known."""
    for name in order:
        stem = stems[name]
        channels: int | None
        if stem.sum_of is None:
            channels = facts[name].channels if name in facts else None
        else:
            terms = stem.sum_terms()
            widths = [ends.get(term.stem) for term in terms]
            wide = 2 in widths or any(term.pan != 0.0 for term in terms)
            known = terms and None not in widths and not source.is_lost(("stem", places[name], "sum_of"))
            channels = 2 if wide else 1 if known else None
        for index, through in enumerate(stem.through):
            insert = around.rig.find_insert(through.insert)
            if insert is None or around.rig_source.is_lost(("insert", insert.id, "mode")):
                channels = None
                continue
            _check_width(
                source, ("stem", places[name], "through", index, "insert"), insert.id, channels, insert.channels
            )
            channels = insert.channels
        ends[name] = channels


def _check_faults(job: JobFile, around: Surroundings) -> None:
    """A rehearsed fault for a pass that this job does not have never happens: worth a word."""
    if around.rig is None or around.rig_source is None or around.rig.interface.simulation is None:
        return
    passes = {_pass_name(stem, index) for stem in job.stem for index in range(len(stem.through))}
    for index, fault in enumerate(around.rig.interface.simulation.fault):
        if passes and fault.pass_ not in passes:
            around.rig_source.caution(
                ("interface", "simulation", "fault", index, "pass"),
                f"this job has no pass {fault.pass_!r}: the fault will not happen",
                suggest(fault.pass_, sorted(passes)),
            )


def _pass_name(stem: Stem, index: int) -> str:
    insert = stem.through[index].insert
    before = sum(1 for through in stem.through[:index] if through.insert == insert)
    return f"{stem.id}/{insert}" + (f"#{before + 1}" if before else "")


def _check_width(source: SourceFile, where: KeyPath, insert: str, channels: int | None, width: int) -> None:
    if channels == 2 and width == 1:
        source.error(
            where,
            f"a stereo stem does not go through the mono insert {insert}",
            "use a two-channel insert, or split the stem into left and right "
            '(sides = "one-by-one" is not available in this version)',
        )
    elif channels == 1 and width == 2:
        source.caution(
            where, f"a mono stem feeds both sides of {insert}", "its print is stereo; nothing to do if that is meant"
        )


def _check_time_references(
    source: SourceFile, stems: Mapping[str, Stem], order: list[str], facts: Mapping[str, FileFacts]
) -> None:
    starts = {name: found.time_reference for name, found in facts.items()}
    rate = max((found.rate for found in facts.values()), default=1)
    for name in order:
        terms = [term.stem for term in stems[name].sum_terms() if term.stem in starts]
        if not terms:
            continue
        known = [start for term in terms if (start := starts[term]) is not None]
        starts[name] = min(known, default=None)
        apart = max(known) - min(known) if known else 0
        if apart > MOST_STEM_S * rate:
            source.caution(
                ("stem", name, "sum_of"),
                f"by their time references the files start {apart / rate / 3600:.1f} hours apart, silence in between",
                "if they belong together, export them again from one session",
            )
        without = [term for term in terms if starts[term] is None]
        if without and known:
            do = "do" if len(without) > 1 else "does"
            source.error(
                ("stem", name, "sum_of"),
                f"some files carry a time reference and {', '.join(without)} {do} not",
                "export all of them as Broadcast Wave, or none",
            )


def _check_print_names(source: SourceFile, job: JobFile) -> None:
    """Ids hold no point and occur once, so no two passes write one print; a dry file may be named like one."""
    files = [(index, _tidy(stem.file)) for index, stem in enumerate(job.stem) if stem.file is not None]
    for stem in job.stem:
        for place, name in print_names(stem):
            written = re.compile(
                re.escape(posixpath.normpath(f"{print_folder(stem)}/{name}")) + r"\.v\d+\.(wav|json)", re.IGNORECASE
            )
            for index, path in files:
                if written.fullmatch(path):
                    source.error(
                        ("stem", index, "file"),
                        f"has the name of a print that {stem.id}/{stem.through[place].insert} writes",
                        "rename the dry file",
                    )
