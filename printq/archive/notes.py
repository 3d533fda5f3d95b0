"""The pages of an archive that people read without this program: what it holds, how the knobs stood, what happened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from printq.archive.mix_wording import mix_lines
from printq.models.archived import SessionProof
from printq.models.delivery import Sidecar
from printq.models.passes import Job, Pass
from printq.models.rig import Position, Unit

__all__ = ["contents_text", "left_behind_text", "proof_text", "settings_text", "story_text"]

Story = Sequence[tuple[str, str, str | None, str]]
"""(time, kind, pass, text) of each event."""

HOW_TO_CHECK = """\
How to check it without the program it was made with
  This folder is a bag (BagIt 1.0, RFC 8493). Beside `data/`, `manifest-sha512.txt` lists every file in it with its
  SHA-512 checksum. In the folder that holds the manifest: sha512sum -c manifest-sha512.txt
"""


def contents_text(job: Job, proof: SessionProof, paths: Sequence[str], problems: Sequence[str], *, as_is: bool) -> str:
    """What the archive holds, and whether it is complete."""
    where = "all of data/" if proof.session == "." else f"data/{proof.session}/"
    lines = [
        job.title or job.job_file,
        "",
        f"Archived {proof.at} with {proof.program}.",
        f"The session folder is {where}; its job is {job.job_file}.",
        "",
    ]
    if not as_is:
        lines.append(f"Complete: {_count(len(proof.prints), 'pass', 'passes')}, every one printed and up to date.")
    else:
        lines.append("Archived as it was (--as-is):")
        lines += [f"  {each.pass_id} is {each.state}: {each.reason or 'not printed yet'}" for each in proof.not_printed]
    lines += [f"  {problem}" for problem in problems]
    lines += ["", "The sum", f"  {proof.summary()}", "", HOW_TO_CHECK, "Files"]
    lines += [f"  {path}" for path in sorted(paths)]
    return _page(lines)


def settings_text(job: Job, sidecars: Mapping[str, Sidecar]) -> str:
    """How every control stood in every pass: as dialled for the print, or as asked for where there is none."""
    lines = [f"{job.title or job.job_file}: settings of every pass", f"Rig: {job.rig.name or job.rig_file}", ""]
    for each in job.passes:
        lines += [*_pass_lines(job, each, sidecars.get(each.id)), ""]
    return _page(lines)


def story_text(job: Job, story: Story, takes: Sequence[tuple[str, int, str, str]]) -> str:
    """The journal as people read it: events, then takes as (pass, number, state, remark)."""
    lines = [f"{job.title or job.job_file}: the journal", "", "Events"]
    lines += [
        f"  {at}  {kind:<12} {f'{pass_id}: ' if pass_id else ''}{_one_line(text)}".rstrip()
        for at, kind, pass_id, text in story
    ]
    lines += ["", "Takes"]
    lines += [
        f"  {pass_id} take {number}: {state}{f': {_one_line(why)}' if why else ''}"
        for pass_id, number, state, why in takes
    ]
    return _page(lines)


def proof_text(proof: SessionProof) -> str:
    """The proof as a page."""
    lines = ["Do the prints sum to the mix?", ""]
    if not proof.mixes:
        lines += ["No mix was given, so that there is nothing to hold them against.", ""]
    for mix in proof.mixes:
        lines += [*mix_lines(mix), ""]
    lines += ["Prints, and what they were made from", ""]
    for tie in proof.prints:
        made_from = ", ".join(part.file for part in tie.played)
        lines.append(f"  {tie.print_file}: made from {made_from}")
        lines += [f"    {problem}" for problem in tie.problems] or [
            "    print, sidecar and what was played agree by their checksums"
        ]
    return _page(lines)


def left_behind_text(found: Sequence[tuple[str, int]]) -> str:
    """Which files of the session folder are not in the archive."""
    lines = ["Files of the session folder that no job needs, and that are not in this archive", ""]
    lines += [f"  {name}  ({size} bytes)" for name, size in found] or ["  none"]
    return _page(lines)


def _pass_lines(job: Job, each: Pass, sidecar: Sidecar | None) -> list[str]:
    insert = job.insert_of(each)
    lines = [
        f"{each.id}",
        f"  insert {insert.id} ({insert.mode}), sends {_list(insert.sends)}, returns {_list(insert.returns)}",
        f"  snapshot {each.snapshot}" + (f": {note}" if (note := job.snapshot_of(each).note) else ""),
        f"  send {each.send_db:+.2f} dB, return {each.return_db:+.2f} dB, "
        f"{each.blend * 100:g} % printed" + ("" if each.blend == 1.0 else ", the rest as it was played"),
    ]
    if sidecar is None:
        lines.append("  not printed; as the files ask for it:")
        asked = job.snapshot_of(each).settings
        for unit in job.units_of(each):
            fixed = {control.id: control.fixed for control in unit.control if control.fixed is not None}
            lines += _unit_lines(unit, unit.name, unit.serial, asked.get(unit.id, {}), fixed)
        return lines
    lines += [
        f"  print {sidecar.print_file}, take {sidecar.take}, recorded {sidecar.recorded_at}, "
        f"set up by {sidecar.confirmed.by}" + (f" ({sidecar.confirmed.note})" if sidecar.confirmed.note else ""),
    ]
    if sidecar.simulated:
        lines.append("  SIMULATED: no analog hardware was involved")
    if sidecar.accepted is not None:
        lines.append(f"  accepted by {sidecar.accepted.by}, {sidecar.accepted.at}: {_one_line(sidecar.accepted.why)}")
    for stood in sidecar.units:
        lines += _unit_lines(job.rig.find_unit(stood.unit), stood.label, stood.serial, stood.settings, stood.fixed)
    return lines


def _unit_lines(
    unit: Unit | None,
    label: str,
    serial: str | None,
    settings: Mapping[str, Position],
    fixed: Mapping[str, Position],
) -> list[str]:
    lines = [f"  {label}" + (f", serial {serial}" if serial else "")]
    for control, position in settings.items():
        known = unit.find_control(control) if unit is not None else None
        measure = f" {known.measure}" if known is not None and known.measure not in ("", "clock") else ""
        lines.append(f"    {known.name if known is not None else control}: {_position(position)}{measure}")
    lines += [f"    {control}: {_position(position)} (never moved)" for control, position in fixed.items()]
    return lines


def _position(position: Position) -> str:
    return f"{position:g}" if isinstance(position, float) else str(position)


def _list(channels: Sequence[int]) -> str:
    return ", ".join(map(str, channels))


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _count(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _page(lines: Sequence[str]) -> str:
    return "\n".join(lines).rstrip() + "\n"
