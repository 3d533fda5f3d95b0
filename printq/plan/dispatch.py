"""Builds an order task by task: at each step the task that a weighted rule likes best comes next.

What makes a good next task depends on the rack and the queue: now the hands are what everybody waits for, now
one unit has more to do than all others, now a chain of prints is long. So the weights are looked for anew for
each problem; a rule costs little to try.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from dataclasses import astuple, dataclass

from printq.plan.numbers import Numbers

__all__ = ["Weights", "build_order"]


@dataclass(frozen=True, slots=True)
class Weights:
    """What counts in the choice of the next task, each in seconds for a second."""

    handwork: float
    """For a task that needs no hands."""
    tail: float
    """For one that a long chain of recordings follows."""
    load: float
    """For one whose unit has much left to do."""
    waiting: float
    """For one that leaves its units idle for a short time only; where hands rest, for a long one."""


def build_order(numbers: Numbers, weights: Weights) -> list[int]:
    """An order of all tasks by a rule; settled ones come first."""
    board = _Resting(numbers, weights) if numbers.rests else _Flowing(numbers, weights)
    for task in numbers.problem.settled:
        board.place_settled(task)
    while len(board.order) < numbers.count:
        board.place_best()
    return board.order


class _Board:
    """What has been placed, and what may come next."""

    def __init__(self, numbers: Numbers, weights: Weights) -> None:
        self._numbers = numbers
        self._weights = astuple(weights)
        self.order: list[int] = []
        self._ends = [0.0] * numbers.count
        self._sources = numbers.not_before.copy()
        """When all that a task plays has ended, as far as that is known."""
        self._free = numbers.units_free.copy()
        self._last = [numbers.count] * numbers.unit_count
        self._load = [0.0] * numbers.unit_count
        for task, units in enumerate(numbers.units):
            for unit in units:
                self._load[unit] += numbers.durations[task]
        self._missing = [len(needs) for needs in numbers.needs]
        self._ready: dict[int, list[tuple[float, int]]] = {}
        """By kind: tasks whose sources have been placed, the one with the longest chain after it first."""
        for task in range(numbers.count):
            if not self._missing[task]:
                self._offer(task)

    def place_settled(self, task: int) -> None:
        raise NotImplementedError

    def place_best(self) -> None:
        raise NotImplementedError

    def _offer(self, task: int) -> None:
        insort(self._ready.setdefault(self._numbers.kinds[task], []), (-self._numbers.tails[task], task))

    def _put(self, task: int, end: float) -> None:
        numbers = self._numbers
        self.order.append(task)
        self._ends[task] = end
        for unit in numbers.units[task]:
            self._free[unit] = end
            self._last[unit] = task
            self._load[unit] -= numbers.durations[task]
        kind = numbers.kinds[task]
        entry = (-numbers.tails[task], task)
        if entry in self._ready.get(kind, ()):
            self._ready[kind].remove(entry)
            if not self._ready[kind]:
                del self._ready[kind]
        for after in numbers.needed_by[task]:
            self._missing[after] -= 1
            self._sources[after] = max(self._sources[after], end)
            if not self._missing[after] and after not in numbers.problem.settled:
                self._offer(after)


class _Flowing(_Board):
    """The hands work while units record."""

    def __init__(self, numbers: Numbers, weights: Weights) -> None:
        super().__init__(numbers, weights)
        self._busy_from: list[float] = [0.0] if numbers.hands_free > 0.0 else []
        self._busy_until: list[float] = [numbers.hands_free] if numbers.hands_free > 0.0 else []

    def place_settled(self, task: int) -> None:
        free, begin, hands, _ = self._look_at(task)
        self._settle(task, max(free, begin), hands)

    def place_best(self) -> None:
        by_hands, by_tail, by_load, by_waiting = self._weights
        numbers, sources = self._numbers, self._sources
        best, chosen = float("inf"), (0, 0.0, 0.0)
        for tasks in self._ready.values():
            free, begin, hands, load = self._look_at(tasks[0][1])
            ready = begin + hands + (numbers.probe if hands else 0.0)
            fixed = by_hands * hands - by_load * load - by_waiting * free
            for tail, task in tasks:
                start = sources[task] if sources[task] > ready else ready
                score = fixed + (1.0 + by_waiting) * start + by_tail * tail
                if score < best:
                    best, chosen = score, (task, begin, hands)
                if start == ready:
                    break  # the others start no sooner, and less follows them
        self._settle(*chosen)

    def _look_at(self, task: int) -> tuple[float, float, float, float]:
        """When a task's units are free, when its set-up can begin and how long it takes, and its units' load."""
        free = hands = load = 0.0
        for unit in self._numbers.units[task]:
            if self._free[unit] > free:
                free = self._free[unit]
            hands += self._numbers.set_ups[unit][self._last[unit]][task]
            if self._load[unit] > load:
                load = self._load[unit]
        begin = free
        if hands and self._busy_until and self._busy_until[-1] > begin:
            place = bisect_right(self._busy_until, begin)
            while place < len(self._busy_from) and begin + hands > self._busy_from[place]:
                begin = self._busy_until[place]
                place += 1
        return free, begin, hands, load

    def _settle(self, task: int, begin: float, hands: float) -> None:
        ready = begin
        if hands:
            ready += hands + self._numbers.probe
            place = bisect_right(self._busy_from, begin)
            self._busy_from.insert(place, begin)
            self._busy_until.insert(place, begin + hands)
        self._put(task, max(ready, self._sources[task]) + self._numbers.durations[task])


class _Resting(_Board):
    """The hands rest while anything records: stops and rolls follow one another.

    Within a roll times count from its start, so that a set-up which joins the stop before it changes none of them.
    """

    def __init__(self, numbers: Numbers, weights: Weights) -> None:
        super().__init__(numbers, weights)
        self._rolled = [False] * numbers.unit_count
        self._length = max(*numbers.units_free, numbers.hands_free, 0.0)
        self._may_join = self._length <= 0.0

    def place_settled(self, task: int) -> None:
        self._settle(task, *self._look_at(task)[1:3])

    def place_best(self) -> None:
        by_hands, by_tail, by_load, by_length = self._weights
        numbers, sources, length = self._numbers, self._sources, self._length
        best, chosen = (2, 0.0), (0, False, 0.0)
        for tasks in self._ready.values():
            hands, opens, ready, load = self._look_at(tasks[0][1])
            fixed = by_hands * hands - by_load * load
            for tail, task in tasks:
                start = ready if opens or sources[task] < ready else sources[task]
                end = start + numbers.durations[task]
                longer = end if opens else max(0.0, end - length)
                score = (int(opens), fixed + longer + by_tail * tail - by_length * numbers.durations[task])
                if score < best:
                    best, chosen = score, (task, opens, ready)
        self._settle(*chosen)

    def _look_at(self, task: int) -> tuple[float, bool, float, float]:
        """Handwork of a task, whether it opens a new stop, when it is ready in its roll, and its units' load."""
        hands = load = ready = 0.0
        rolled = False
        for unit in self._numbers.units[task]:
            hands += self._numbers.set_ups[unit][self._last[unit]][task]
            rolled = rolled or self._rolled[unit]
            if self._free[unit] > ready:
                ready = self._free[unit]
            if self._load[unit] > load:
                load = self._load[unit]
        if not hands:
            return 0.0, False, ready, load
        return hands, rolled or not self._may_join, self._numbers.probe, load

    def _settle(self, task: int, opens: bool, ready: float) -> None:
        if opens:
            self._rolled = [False] * self._numbers.unit_count
            self._free = [0.0] * self._numbers.unit_count
            self._sources = [0.0] * self._numbers.count
            self._length, self._may_join = 0.0, True
        end = max(ready, self._sources[task]) + self._numbers.durations[task]
        self._length = max(self._length, end)
        for unit in self._numbers.units[task]:
            self._rolled[unit] = True
        self._put(task, end)
