"""Improves an order of tasks by trying small changes, guided by what the end of the evening hangs on.

Simulated annealing (Kirkpatrick, Gelatt, Vecchi 1983) with moves from job-shop practice: on the critical path,
a task changes places with the one it waits for. The generator of chances starts from a constant, and the work is
counted in tasks placed, not in seconds: the same problem gives the same order on every machine.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from printq.plan.numbers import Numbers
from printq.plan.timing import Timing, time_tasks

__all__ = ["Search", "quality"]

HANDWORK_WEIGHT = 0.02
"""A second of handwork counts as much as this much of a longer evening, while searching: less of it is worth a try."""
EARLY_WEIGHT = 0.02
"""So does a task that ends a second later on average: it says which of two equally long plans leaves more room."""
SWAPS_AT_REST = 0.3
"""How often two tasks change places where hands rest; with hands at any time that found nothing."""
MOST_SWAPPED = 100
"""With more tasks too few of the swaps make anything better for the time that there is."""
COOLING = 0.03
"""The last temperature, by the first."""


def quality(timing: Timing, numbers: Numbers) -> tuple[float, float, int, int, float]:
    """What makes one plan better than another, least first.

    Length, handwork, interruptions, recordings on units that are still cold, distance from the job's order.
    """
    cold = sum(start < warm for start, warm in zip(timing.starts, numbers.warm_at, strict=True))
    disorder = -sum(place * start for place, start in enumerate(timing.starts))
    return (
        round(timing.makespan, 6),
        round(timing.hands_on, 6),
        timing.interruptions,
        cold,
        round(disorder, 3),
    )


class Search:
    """A walk from order to order; `best` is the shortest met.

    Parameters
    ----------
    numbers : Numbers
    start : Timing
        Where the walk begins.
    least : tuple of float
        Length and handwork that no plan can go below: a plan that has both is not walked away from.
    """

    def __init__(self, numbers: Numbers, start: Timing, least: tuple[float, float] = (0.0, 0.0)) -> None:
        self._numbers = numbers
        self._least = least
        self._chance = random.Random(1).random
        self._settled = len(numbers.problem.settled)
        self.best = start
        self._best_quality = quality(start, numbers)

    @property
    def is_settled(self) -> bool:
        """Whether no plan can be shorter than the best met, or as short with less handwork."""
        length, handwork = self._least
        return self.best.makespan <= length + 1e-6 and self.best.hands_on <= handwork + 1e-6

    def anneal(self, work: int, temperature: float) -> None:
        """Walk from the best order so far, through worse ones as well: less and less so.

        Parameters
        ----------
        work : int
            Tasks that may be placed.
        temperature : float
            Seconds by which a step may typically be worse, at first.
        """
        numbers, chance = self._numbers, self._chance
        at = self.best
        energy = self._energy(at)
        waits: list[tuple[int, int]] | None = None
        left = float(work)
        while left > 0.0 and not self.is_settled:
            warmth = temperature * COOLING ** (1.0 - left / work)
            if waits is None and not numbers.rests:
                waits = _waits_on_critical_path(numbers, at)
                left -= 0.3 * numbers.count
            order = self._change(at.order, waits or [])
            if order is None:
                left -= 0.1 * numbers.count
                continue
            left -= numbers.count
            limit = energy - warmth * math.log(chance() or 1e-12)
            timing = time_tasks(numbers, order, limit)
            if timing is None:
                continue
            found = self._energy(timing)
            if found <= limit:
                at, energy, waits = timing, found, None
                self._keep(timing)

    def polish(self, work: int) -> None:
        """Look for an order as short that is better in what comes after length, without ever going back."""
        numbers = self._numbers
        for _ in range(work // max(1, numbers.count)):
            order = self._change(self.best.order, [])
            if order is not None:
                timing = time_tasks(numbers, order, self.best.makespan + 1e-6)
                if timing is not None:
                    self._keep(timing)

    def sort_alike(self) -> None:
        """Tasks that nothing tells apart come in the order in which the job names them."""
        numbers = self._numbers
        groups: dict[tuple[object, ...], list[int]] = {}
        for task in self.best.order[self._settled :]:
            features = (numbers.kinds[task], numbers.durations[task], numbers.not_before[task])
            alike = (*features, numbers.needs[task], tuple(numbers.needed_by[task]))
            groups.setdefault(alike, []).append(task)
        stands_for = {
            task: other for tasks in groups.values() for task, other in zip(tasks, sorted(tasks), strict=True)
        }
        timing = time_tasks(numbers, [stands_for.get(task, task) for task in self.best.order])
        assert timing is not None
        self._keep(timing)

    def _keep(self, timing: Timing) -> None:
        if timing.makespan <= self.best.makespan + 1e-6:
            found = quality(timing, self._numbers)
            if found < self._best_quality:
                self.best, self._best_quality = timing, found

    def _energy(self, timing: Timing) -> float:
        ends = sum(timing.ends) / max(1, self._numbers.count)
        return timing.makespan + HANDWORK_WEIGHT * timing.hands_on + EARLY_WEIGHT * ends

    # ---- changes ----

    def _change(self, order: Sequence[int], waits: Sequence[tuple[int, int]]) -> list[int] | None:
        """The order with one thing moved, or None where that would put a task before what it needs."""
        chance, count = self._chance, self._numbers.count
        if self._numbers.rests and count <= MOST_SWAPPED and chance() < SWAPS_AT_REST:
            return self._swap(order)
        if waits and chance() < 0.6:
            first, second = waits[int(chance() * len(waits))]
            beyond = int(chance() * 3) if chance() < 0.3 else 0
            if chance() < 0.5:
                source, target = order.index(second), order.index(first) - beyond
            else:
                source, target = order.index(first), order.index(second) + beyond
        else:
            source = int(chance() * count)
            target = int(chance() * count) if chance() < 0.5 else source + int((chance() - 0.5) * 10)
        target = min(max(target, self._settled), count - 1)
        if source == target or source < self._settled:
            return None
        moved = self._batch_from(order, source) if chance() < 0.35 else [order[source]]
        return self._move(order, moved, source, target)

    def _swap(self, order: Sequence[int]) -> list[int] | None:
        """Any two tasks change places: where hands rest, recordings of one roll for those of another."""
        loose = self._numbers.count - self._settled
        if loose < 2:
            return None
        low, high = sorted(self._settled + int(self._chance() * loose) for _ in range(2))
        first, second = order[low], order[high]
        passed = order[low : high + 1]
        if not self._keeps_needs(first, passed, earlier=False) or not self._keeps_needs(second, passed, earlier=True):
            return None
        new = [*order]
        new[low], new[high] = second, first
        return new

    def _batch_from(self, order: Sequence[int], source: int) -> list[int]:
        """A task and all that follows it on its units without a set-up."""
        numbers = self._numbers
        batch = [order[source]]
        units = numbers.units[batch[0]]
        for task in order[source + 1 :]:
            if numbers.units[task] == units and not any(numbers.set_ups[unit][batch[-1]][task] for unit in units):
                batch.append(task)
            elif any(unit in units for unit in numbers.units[task]):
                break
        return batch

    def _move(self, order: Sequence[int], moved: list[int], source: int, target: int) -> list[int] | None:
        if len(moved) == 1:
            new = [*order]
            del new[source]
            new.insert(target, moved[0])
            low, high = (target, source) if target < source else (source, target)
            return new if self._keeps_needs(moved[0], order[low : high + 1], earlier=target < source) else None
        members = set(moved)
        others = [task for task in order if task not in members]
        place = max(self._settled, target if target <= source else target - len(moved) + 1)
        new = [*others[:place], *moved, *others[place:]]
        at = {task: index for index, task in enumerate(new)}
        for task in moved:
            if any(at[need] > at[task] for need in self._numbers.needs[task]):
                return None
            if any(at[after] < at[task] for after in self._numbers.needed_by[task]):
                return None
        return new

    def _keeps_needs(self, task: int, passed: Sequence[int], *, earlier: bool) -> bool:
        """Whether a task may go to the other end of the tasks that it passes."""
        bound = self._numbers.needs[task] if earlier else self._numbers.needed_by[task]
        return not any(other in passed for other in bound)


def _waits_on_critical_path(numbers: Numbers, timing: Timing) -> list[tuple[int, int]]:
    """Pairs of tasks on the critical path of which the second waits for a unit of the first, or for its hands."""
    ended: dict[float, list[int]] = {}
    set_up: dict[float, int] = {}
    for task, end in enumerate(timing.ends):
        ended.setdefault(end, []).append(task)
        if timing.handwork[task]:
            set_up[timing.set_up_starts[task] + timing.handwork[task]] = task
    pairs: list[tuple[int, int]] = []
    current = max(range(numbers.count), key=timing.ends.__getitem__)
    for _ in range(numbers.count):
        begin, hands = timing.set_up_starts[current], timing.handwork[current]
        ready = begin + hands + (numbers.probe if hands else 0.0)
        if timing.starts[current] > ready:
            awaited = next((need for need in numbers.needs[current] if timing.ends[need] == timing.starts[current]), -1)
        else:
            units = numbers.units[current]
            sharing = (task for task in ended.get(begin, ()) if any(unit in units for unit in numbers.units[task]))
            awaited = next((task for task in sharing if task != current), -1)
            if awaited < 0:
                awaited = set_up.get(begin, -1)
            if awaited >= 0:
                pairs.append((awaited, current))
        if awaited < 0 or awaited == current:
            break
        current = awaited
    return pairs
