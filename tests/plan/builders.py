"""Small jobs made of records alone, without files."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.passes import FileSource, Job, Pass, PrintSource
from printq.models.rig import Control, Insert, Interface, Position, Rig, Unit
from printq.models.snapshots import Snapshot

__all__ = ["RATE", "build_insert", "build_job", "build_snapshot", "build_switch", "build_unit"]

RATE = 48_000


def build_unit(name: str, *controls: Control, recall: str = "hands", preset_s: float = 5.0) -> Unit:
    return Unit.model_validate({"id": name, "recall": recall, "preset_s": preset_s, "control": list(controls)})


def build_switch(name: str, fixed: str | None = None) -> Control:
    """A switch with the positions `in` and `out`: 2 s to set, the default of switches."""
    return Control(id=name, kind="switch", positions=["in", "out"], fixed=fixed)


def build_insert(name: str, *units: str, patch_s: float = 0.0, recover_s: float = 0.0, channel: int = 0) -> Insert:
    """An insert on a send and return of its own, unless `channel` says which."""
    number = channel or 1 + zlib.crc32(name.encode()) % 250
    return Insert(id=name, units=list(units), sends=[number], returns=[number], patch_s=patch_s, recover_s=recover_s)


def build_snapshot(name: str, insert: str, settings: Mapping[str, Mapping[str, Position]]) -> Snapshot:
    return Snapshot(id=name, insert=insert, settings={unit: dict(each) for unit, each in settings.items()})


def build_job(
    units: Sequence[Unit],
    inserts: Sequence[Insert],
    snapshots: Sequence[Snapshot],
    stems: Mapping[str, Sequence[str]],
    *,
    seconds: float = 10.0,
    made_from: Mapping[str, Sequence[str]] | None = None,
    options: Options | None = None,
) -> Job:
    """A job of stems that are all `seconds` long; `stems` names the snapshots that each goes through in series.

    `made_from` names, for a stem, the passes that its first pass needs.
    """
    options = options or Options()
    known_inserts = {insert.id: insert for insert in inserts}
    known_snapshots = {snapshot.id: snapshot for snapshot in snapshots}
    passes: list[Pass] = []
    for stem, through in stems.items():
        before: str | None = None
        for place, snapshot in enumerate(through):
            insert = known_inserts[known_snapshots[snapshot].insert]
            each = _build_pass(stem, place, insert, snapshot, before, (made_from or {}).get(stem, ()), seconds, options)
            passes.append(each)
            before = each.id
    interface = Interface(driver="simulated", rate=RATE, sends=256, returns=256)
    return Job(
        session=Path("lighthouse").absolute(),
        job_file="job.toml",
        rig_file="rig.toml",
        title="Lighthouse waltz",
        rig=Rig(format="printq-rig/1", interface=interface, unit=list(units), insert=list(inserts)),
        options=options,
        snapshots=known_snapshots,
        dry_files={},
        passes=tuple(passes),
    )


def _build_pass(
    stem: str,
    place: int,
    insert: Insert,
    snapshot: str,
    before: str | None,
    made_from: Sequence[str],
    seconds: float,
    options: Options,
) -> Pass:
    frames = round(seconds * RATE)
    return Pass(
        id=f"{stem}/{insert.id}",
        stem=stem,
        insert=insert.id,
        snapshot=snapshot,
        place=place,
        source=FileSource(path=f"dry/{stem}.wav") if before is None else PrintSource(pass_id=before),
        needs=tuple(made_from) if before is None else (before,),
        source_channels=1,
        source_frames=frames,
        time_reference=None,
        rate=RATE,
        channels=1,
        send_db=0.0,
        return_db=0.0,
        blend=1.0,
        limits={},
        layout=PassLayout.make(options, insert, frames, RATE),
        folder="dry",
        print_name=f"{stem}.{insert.id}",
    )
