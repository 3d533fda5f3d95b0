"""The notes beside a print: everything that somebody needs to do it again in two years."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from printq.models.delivery import Acceptance, PlayedSource, RenderedPrint, Sidecar, SidecarUnit, Trim
from printq.models.passes import Job, Pass
from printq.models.snapshots import Settings
from printq.models.take import Confirmation, TakeRecord
from printq.models.verdict import SourceFacts, Timing, Verdict

__all__ = ["encode_sidecar", "make_sidecar"]


def make_sidecar(
    job: Job,
    each: Pass,
    *,
    program: str,
    take: TakeRecord,
    confirmed: Confirmation,
    settings: Settings,
    source: SourceFacts,
    source_files: Sequence[str],
    timing: Timing,
    trim: Trim,
    rendered: RenderedPrint,
    verdict: Verdict,
    accepted: Acceptance | None,
    reprint_notes: Sequence[str],
    print_file: str,
    version: int,
    file_sha256: str,
    delivered_at: str,
) -> Sidecar:
    """Gather the notes; `settings` are those that were dialled for the take, `source_files` what it played."""
    snapshot = job.snapshot_of(each)
    interface = job.rig.interface
    return Sidecar(
        format="printq-sidecar/1",
        program=program,
        simulated=take.driver == "simulated",
        pass_id=each.id,
        print_file=Path(print_file).name,
        version=version,
        title=job.title,
        source=PlayedSource(
            kind=each.source.kind,
            files=tuple(source_files),
            audio_sha256=source.audio_sha256,
            file_sha256=source.file_sha256,
            frames=source.frames,
            channels=source.channels,
            time_reference=source.time_reference,
            level=source.level,
            loudness=source.loudness,
        ),
        insert=job.insert_of(each),
        units=tuple(
            SidecarUnit(
                unit=unit.id,
                label=unit.name,
                serial=unit.serial,
                settings=settings.get(unit.id, {}),
                fixed={control.id: control.fixed for control in unit.control if control.fixed is not None},
            )
            for unit in job.units_of(each)
        ),
        snapshot=each.snapshot,
        snapshot_note=snapshot.note,
        send_db=each.send_db,
        return_db=each.return_db,
        blend=each.blend,
        options=job.options,
        interface={
            "driver": take.driver,
            "device": take.device,
            "rate": take.rate,
            "clock": interface.clock,
            "full_scale_send_dbu": interface.full_scale_send_dbu,
            "full_scale_return_dbu": interface.full_scale_return_dbu,
        },
        confirmed=confirmed,
        recorded_at=take.recorded_at,
        delivered_at=delivered_at,
        take=take.number,
        take_file=take.file,
        timing=timing,
        trim=trim,
        rendered=rendered,
        file_sha256=file_sha256,
        checks=verdict.checks,
        loudness=verdict.loudness,
        accepted=accepted,
        reprint_notes=tuple(reprint_notes),
    )


def encode_sidecar(sidecar: Sidecar) -> bytes:
    """The sidecar as it is written: JSON, UTF-8, keys in the order of the record."""
    return (sidecar.model_dump_json(indent=2, by_alias=True) + "\n").encode()
