"""A session of forty stems on six units, as a job: what a chamber orchestra at the lighthouse would bring.

Every stem is four minutes long. The strings share settings by section; winds and voices have their own; every third
stem goes on through the tape machine; the mix of all of them goes through the bus compressor.
"""

from __future__ import annotations

from printq.models.passes import Job
from printq.models.rig import Control, Position
from printq.models.snapshots import Snapshot
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit

__all__ = ["forty_stems"]

SECTIONS = {"violin": 12, "viola": 6, "cello": 6, "bass": 2, "clarinet": 4, "horn": 4, "harp": 2, "voice": 4}
THROUGH = {
    "violin": "strings",
    "viola": "strings",
    "cello": "low",
    "bass": "low",
    "clarinet": "solo",
    "horn": "solo",
    "harp": "wide",
    "voice": "solo",
}
SECONDS = 240.0


def forty_stems() -> Job:
    """The job; nothing of it is printed, and nobody knows where the rack stands."""
    knobs = [Control(id=name, kind="knob", range=(0, 10)) for name in ("low", "mid", "high", "gain")]
    units = [
        build_unit("eq-a", *knobs, build_switch("air")),
        build_unit("eq-b", *knobs, build_switch("air")),
        build_unit("opto", *knobs[2:], build_switch("limit")),
        build_unit("valve", *knobs[:3]),
        build_unit("tape", recall="preset", preset_s=5.0),
        build_unit("bus", *knobs),
    ]
    inserts = [
        build_insert("strings", "eq-a"),
        build_insert("low", "eq-b"),
        build_insert("solo", "opto", "valve"),
        build_insert("wide", "eq-a", "eq-b", patch_s=20.0),
        build_insert("reel", "tape"),
        build_insert("glue", "bus"),
    ]
    on = {insert.id: tuple(insert.each_unit()) for insert in inserts}
    snapshots: dict[str, Snapshot] = {"glue": build_snapshot("glue", "glue", {"bus": _settings("bus", 9)})}
    stems: dict[str, list[str]] = {}
    for section, players in SECTIONS.items():
        insert = THROUGH[section]
        for player in range(players):
            # Strings by pairs of desks; everybody else has settings of their own.
            taste = player // 4 if insert in ("strings", "low") else player
            name = f"{section}-{taste}"
            place = len(snapshots)
            snapshots.setdefault(
                name, build_snapshot(name, insert, {unit: _settings(unit, place) for unit in on[insert]})
            )
            through = [name]
            if len(stems) % 3 == 2:
                reel = f"reel-{len(stems) % 2}"
                snapshots.setdefault(reel, build_snapshot(reel, "reel", {"tape": {"preset": reel}}))
                through.append(reel)
            stems[f"{section}-{player + 1}"] = through
    last = [f"{stem}/{snapshots[through[-1]].insert}" for stem, through in stems.items()]
    return build_job(
        units, inserts, list(snapshots.values()), {**stems, "mix": ["glue"]}, seconds=SECONDS, made_from={"mix": last}
    )


def _settings(unit: str, place: int) -> dict[str, Position]:
    """Positions of a unit's controls, other ones for each place but for some that often stay."""
    names = {"opto": ("high", "gain"), "valve": ("low", "mid", "high")}.get(unit, ("low", "mid", "high", "gain"))
    settings: dict[str, Position] = {name: float((place * step) % 4) for step, name in enumerate(names, start=1)}
    if unit in ("eq-a", "eq-b", "opto"):
        settings["limit" if unit == "opto" else "air"] = "in" if place % 2 else "out"
    return settings
