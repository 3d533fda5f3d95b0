"""What the sound of a print depends on, and what changed when it no longer agrees.

Decided by content. A label, a note, a photo, a comment, a limit or the order of things reaches no sound and
is not in here; nor is anything that a pass only needs for its own safety (lead, gap, markers, retries).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from printq.models.passes import FileSource, Job, Pass, PrintSource
from printq.models.rig import Insert, Unit

__all__ = ["TIME_REFERENCE", "describe_changes", "identify", "source_identity"]

TIME_REFERENCE = "time_reference"
"""The one entry that does not reach the sound but the file: a change delivers again without a pass."""


def identify(job: Job, each: Pass, source: Mapping[str, Any]) -> dict[str, Any]:
    """Everything that decides how the print of a pass sounds, as JSON can carry it.

    `source` is what `source_identity` made of the stem: checksums instead of names.
    """
    insert = job.insert_of(each)
    snapshot = job.snapshot_of(each)
    return {
        "source": dict(source),
        TIME_REFERENCE: each.time_reference,
        "settings": {unit.id: dict(snapshot.settings.get(unit.id, {})) for unit in job.units_of(each)},
        "units": {unit.id: _describe_unit(unit) for unit in job.units_of(each)},
        "wiring": _describe_wiring(insert),
        "send_db": each.send_db,
        "return_db": each.return_db,
        "blend": each.blend,
        "tail_s": insert.tail_s,
        "recover_s": insert.recover_s,
        "inverts": insert.inverts,
        "timing": insert.timing,
        "trim": insert.trim,
        "settle_s": job.options.settle_s,
        "align": job.options.align,
        "bit_depth": job.options.bit_depth,
        "driver": job.rig.interface.driver,
        "rate": job.rig.interface.rate,
    }


def source_identity(job: Job, each: Pass, checksums: Mapping[str, str]) -> dict[str, Any] | None:
    """What a pass plays, by content.

    `checksums` maps dry file paths and pass ids to the audio checksums of file and print. None where one is
    not known yet, because what it comes from has not been printed.
    """
    source = each.source
    if isinstance(source, FileSource):
        found = checksums.get(source.path)
        return {"audio": found} if found else None
    if isinstance(source, PrintSource):
        found = checksums.get(source.pass_id)
        return {"audio": found} if found else None
    parts = {}
    for part in source.parts:
        found = checksums.get(part.pass_id or part.path or "")
        if found is None:
            return None
        parts[part.stem] = {
            "audio": found,
            "gain_db": part.gain_db,
            "pan": part.pan,
            "offset_frames": part.offset_frames,
        }
    return {"sum": parts}


def describe_changes(before: Mapping[str, Any], after: Mapping[str, Any], each: Pass) -> list[str]:
    """What differs between two identities, in words; empty where they are the same."""
    reasons: list[str] = []
    for key in after:
        old, new = before.get(key), after[key]
        if old == new:
            continue
        if key == "source":
            reasons += _describe_source(old or {}, new, each)
        elif key == "settings":
            reasons += _describe_settings(old or {}, new)
        elif key == "units":
            reasons += [f"unit {name} is another than it was" for name in new if (old or {}).get(name) != new[name]]
        elif key == "wiring":
            reasons += _describe_keys("insert", old or {}, new)
        else:
            reasons.append(f"{key} {_show(old)} -> {_show(new)}")
    return reasons


def _describe_unit(unit: Unit) -> dict[str, Any]:
    return {
        "channels": unit.channels,
        "fixed": {control.id: control.fixed for control in unit.control if control.fixed is not None},
        "model": unit.model.model_dump(mode="json") if unit.model is not None else None,
        # A scale decides what a position means to the model.
        "scales": {
            control.id: control.model_dump(mode="json", include={"range", "positions"})
            for control in unit.control
            if unit.model is not None and control.id in unit.model.controls
        },
    }


def _describe_wiring(insert: Insert) -> dict[str, Any]:
    return {
        "units": [element if isinstance(element, str) else list(element) for element in insert.units],
        "mode": insert.mode,
        "sends": list(insert.sends),
        "returns": list(insert.returns),
    }


def _describe_source(old: Mapping[str, Any], new: Mapping[str, Any], each: Pass) -> list[str]:
    if "sum" not in new or "sum" not in old:
        source = each.source
        if isinstance(source, FileSource):
            return [f"the audio of {source.path} has changed"]
        if isinstance(source, PrintSource):
            return [f"the print of {source.pass_id} has changed"]
        return ["the stem is a sum now"]
    reasons = []
    for stem in sorted({*old["sum"], *new["sum"]}):
        before, after = old["sum"].get(stem), new["sum"].get(stem)
        if before is None:
            reasons.append(f"{stem} has joined the sum")
        elif after is None:
            reasons.append(f"{stem} has left the sum")
        elif before != after:
            if before["audio"] != after["audio"]:
                reasons.append(f"the print of {stem} in the sum has changed")
            rest = {key: value for key, value in after.items() if key != "audio"}
            reasons += _describe_keys(f"{stem} in the sum:", before, rest)
    return reasons


def _describe_settings(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    reasons = []
    for unit in new:
        before, after = old.get(unit, {}), new[unit]
        reasons += [
            f"{unit} {control} {_show(before.get(control))} -> {_show(after.get(control))}"
            for control in sorted({*before, *after})
            if before.get(control) != after.get(control)
        ]
    return reasons


def _describe_keys(what: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    return [f"{what} {key} {_show(old.get(key))} -> {_show(new[key])}" for key in new if old.get(key) != new[key]]


def _show(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return "+".join(_show(item) for item in value)
    return str(value)
