"""What the hands have to do before a pass, given where the rack stands."""

from __future__ import annotations

from collections.abc import Mapping

from printq.models.clock import parse_clock
from printq.models.passes import Job, Pass
from printq.models.plan import Move
from printq.models.rig import Control, Position, Unit
from printq.models.snapshots import PRESET

__all__ = ["RackState", "set_up_moves", "unit_moves"]

UnitState = tuple[str, Mapping[str, Position]]
"""The insert that a unit was last used in, and its settings."""


class RackState:
    """Where every unit stands, as far as is known."""

    def __init__(self, known: Mapping[str, UnitState] | None = None) -> None:
        self._known = dict(known or {})

    def of(self, unit: str) -> UnitState | None:
        """Insert and settings of a unit, or None where nobody knows."""
        return self._known.get(unit)

    def after(self, job: Job, each: Pass) -> RackState:
        """The state once a pass has been set up."""
        snapshot = job.snapshot_of(each)
        changed = {unit.id: (each.insert, snapshot.settings.get(unit.id, {})) for unit in job.units_of(each)}
        return RackState({**self._known, **changed})

    def without(self, job: Job, each: Pass) -> RackState:
        """The state when nobody trusts the positions of a pass's units any more."""
        gone = {unit.id for unit in job.units_of(each)}
        return RackState({unit: state for unit, state in self._known.items() if unit not in gone})


def set_up_moves(job: Job, each: Pass, rack: RackState) -> tuple[Move, ...]:
    """The moves before a pass, unit by unit in signal order, each unit's controls in panel order."""
    moves: list[Move] = []
    for unit in job.units_of(each):
        moves += unit_moves(job, each, unit, rack.of(unit.id))
    return tuple(moves)


def unit_moves(job: Job, each: Pass, unit: Unit, state: UnitState | None) -> list[Move]:
    """The moves on one unit before a pass."""
    insert = job.insert_of(each)
    wanted = job.snapshot_of(each).settings.get(unit.id, {})
    last_insert, stands = state if state is not None else (None, {})
    moves = []
    if last_insert is not None and last_insert != insert.id and insert.patch_s > 0.0:
        moves.append(Move(unit=unit.id, control="patch", from_=last_insert, to=insert.id, seconds=insert.patch_s))
    if unit.recall == "preset":
        if wanted and not _same_settings(unit, stands, wanted):
            moves.append(
                Move(
                    unit=unit.id,
                    control=PRESET,
                    from_=stands.get(PRESET),
                    to=wanted.get(PRESET, each.snapshot),
                    seconds=unit.preset_s,
                )
            )
        return moves
    for control in unit.control:
        # A fixed control stands where it is wired to stand, whatever a snapshot may say.
        if control.fixed is not None or control.id not in wanted:
            continue
        before, to = stands.get(control.id), wanted[control.id]
        if before is None or not _same_position(control, before, to):
            moves.append(
                Move(unit=unit.id, control=control.id, from_=before, to=to, seconds=control.seconds_to_set),
            )
    return moves


def _same_settings(unit: Unit, stands: Mapping[str, Position], wanted: Mapping[str, Position]) -> bool:
    return stands.keys() == wanted.keys() and all(
        _same_position(unit.find_control(name), stands[name], to) for name, to in wanted.items()
    )


def _same_position(control: Control | None, one: Position | None, other: Position) -> bool:
    """Whether two positions are one place on the panel: on a clock scale, 07:30 is 7:30."""
    if one == other:
        return True
    on_clock = control is not None and control.kind == "knob" and control.measure == "clock"
    if not on_clock or not isinstance(one, str) or not isinstance(other, str):
        return False
    try:
        return parse_clock(one) == parse_clock(other)
    except ValueError:
        # Remembered from before the rig file was changed, when this control had another scale.
        return False
