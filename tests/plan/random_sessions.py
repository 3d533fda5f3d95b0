"""Sixty random sessions as planning problems: what a mixing engineer may bring, from 20 to 200 passes on 3 to 8 units.

Set-up times are made the way the rules of the rack make them: the controls whose position differs from that unit's
previous pass (all of them at first), one load for a unit with presets, and a plug for each unit whose previous
pass went through another insert. A session is known by its number; the same number is always the same session.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import cache

from printq.plan.problem import Problem, Task

__all__ = ["SESSION_COUNT", "RandomSession", "random_session"]

SESSION_COUNT = 60
SIZES = (20, 30, 40, 50, 60, 60, 80, 100, 150, 200)
"""Passes of the sessions, over and over: six of each ten have 60 at most."""

AROUND_MATERIAL_S = 4.2
"""Silence and markers of a take at the defaults: 1 + 0.1 + 1 + 0.5 before and after, with a pause of 1 + 0.1 + 0.5."""
PROBE_S = 12.0
"""How long a fingerprint takes."""


@dataclass(frozen=True)
class RandomSession:
    """A problem, and the traits that it was made with."""

    number: int
    problem: Problem
    like: bool
    """All stems are of one length, as the stems of one song are."""

    @property
    def traits(self) -> str:
        """The session in a few words."""
        problem = self.problem
        return ", ".join(
            [
                f"{len(problem.tasks)} passes",
                f"{problem.unit_count} units",
                "like stems" if self.like else "unlike stems",
                "hands at any time" if problem.hands_during_passes else "hands rest",
                "probe" if problem.probe_s else "no probe",
            ]
        )


@dataclass(frozen=True)
class _Unit:
    dial_s: tuple[float, ...]
    """For each control."""
    preset_s: float | None
    """Set where one load replaces all dialling."""


@dataclass(frozen=True)
class _Insert:
    units: tuple[int, ...]
    patch_s: float


@dataclass(frozen=True)
class _Snapshot:
    insert: int
    positions: dict[int, tuple[int, ...]]
    """For each unit, where its controls stand."""


def random_session(number: int) -> RandomSession:
    """One of the sessions, counted from 0."""
    chance = random.Random(f"lighthouse {number}")
    passes = SIZES[number % len(SIZES)]
    units = [_random_unit(chance) for _ in range(3 + number % 6)]
    inserts = _random_inserts(chance, units)
    snapshots = [
        snapshot for each in range(len(inserts)) for snapshot in _random_snapshots(chance, units, inserts, each)
    ]
    like = chance.random() < 0.5
    tasks, stand = _random_passes(chance, passes, inserts, snapshots, like)

    @cache
    def set_up(unit: int, previous: int | None, task: int) -> float:
        if unit not in stand[task].positions:
            return 0.0
        before = None if previous is None else stand[previous]
        return _handwork(units[unit], unit, inserts, before, stand[task])

    probe_s = chance.choice([0.0, PROBE_S])
    hands_during_passes = chance.random() < 0.7
    problem = Problem(tuple(tasks), len(units), set_up, probe_s, hands_during_passes)
    return RandomSession(number, problem, like)


def _random_unit(chance: random.Random) -> _Unit:
    # A switch, a stepped control or a knob: 2, 3 or 6 s.
    dial_s = tuple(chance.choice([2.0, 3.0, 6.0, 6.0]) for _ in range(chance.randint(3, 8)))
    return _Unit(dial_s, chance.choice([5.0, 8.0]) if chance.random() < 0.15 else None)


def _random_inserts(chance: random.Random, units: list[_Unit]) -> list[_Insert]:
    """An insert for each unit, some of them with a second unit, and two more that share what is there."""
    inserts = []
    for unit in range(len(units)):
        on = {unit, chance.randrange(len(units))} if chance.random() < 0.2 else {unit}
        inserts.append(_Insert(tuple(sorted(on)), chance.choice([0.0, 0.0, 20.0])))
    for _ in range(2):
        on = set(chance.sample(range(len(units)), chance.choice([1, 2])))
        inserts.append(_Insert(tuple(sorted(on)), chance.choice([0.0, 20.0])))
    return inserts


def _random_snapshots(
    chance: random.Random, units: list[_Unit], inserts: list[_Insert], insert: int
) -> list[_Snapshot]:
    """Two to five snapshots of one insert: the first, and others that have some of its controls elsewhere."""
    on = inserts[insert].units
    first = {unit: tuple(chance.randrange(5) for _ in units[unit].dial_s) for unit in on}
    found = [_Snapshot(insert, first)]
    for _ in range(chance.randint(1, 4)):
        moved = chance.uniform(0.2, 1.0)
        positions = {
            unit: tuple(chance.randrange(5) if chance.random() < moved else position for position in first[unit])
            for unit in on
        }
        found.append(_Snapshot(insert, positions))
    return found


def _random_passes(
    chance: random.Random, passes: int, inserts: list[_Insert], snapshots: list[_Snapshot], like: bool
) -> tuple[list[Task], list[_Snapshot]]:
    """Stems of 2 to 8 minutes through chains of one to three inserts; now and then a sum of several stems."""
    tasks: list[Task] = []
    stand: list[_Snapshot] = []
    last_of_stem: list[int] = []
    song_s = chance.uniform(120.0, 480.0)
    while len(tasks) < passes:
        needs: tuple[int, ...] = ()
        if len(last_of_stem) >= 6 and chance.random() < 0.08:
            needs = tuple(sorted(chance.sample(last_of_stem, chance.randint(2, 6))))
        material_s = song_s if like else chance.uniform(120.0, 480.0)
        through = chance.sample(range(len(inserts)), chance.choice([1, 1, 1, 2, 2, 3]))
        for insert in through[: passes - len(tasks)]:
            snapshot = chance.choice([each for each in snapshots if each.insert == insert])
            name = f"pass-{len(tasks)}"
            tasks.append(Task(name, inserts[insert].units, round(material_s + AROUND_MATERIAL_S, 3), needs))
            stand.append(snapshot)
            needs = (len(tasks) - 1,)
        last_of_stem.append(len(tasks) - 1)
    return tasks, stand


def _handwork(unit: _Unit, number: int, inserts: list[_Insert], before: _Snapshot | None, wanted: _Snapshot) -> float:
    """Seconds on one unit between two passes, or from a rack of which nothing is known."""
    stands = None if before is None else before.positions[number]
    goes_to = wanted.positions[number]
    seconds = 0.0
    if before is not None and before.insert != wanted.insert:
        seconds += inserts[wanted.insert].patch_s
    if unit.preset_s is not None:
        return seconds + (unit.preset_s if stands != goes_to else 0.0)
    return seconds + sum(
        dial_s for control, dial_s in enumerate(unit.dial_s) if stands is None or stands[control] != goes_to[control]
    )
