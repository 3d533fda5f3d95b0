"""A length that no schedule can go below, by arguments that can be checked by hand."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from printq.plan.chains import chains_from, sort_by_needs
from printq.plan.problem import Problem
from printq.plan.routes import Batch, batches_on, cheapest_sequences, shortest_ways, tasks_on

__all__ = ["least_handwork", "lower_bound"]


@lru_cache(maxsize=8)
def lower_bound(problem: Problem) -> float:
    """The largest of these bounds, in seconds.

    - *A unit's load*: each unit runs its tasks one after the other. On top of their durations come set-ups, and the
      probes after them, of the cheapest way through its settings, and handwork on other units that keeps it waiting;
      before the first of them its own set-up, or the chain that leads to it if that is longer; after the last the
      chain that follows. The same holds for some of its tasks, those which come late or which much follows: the
      shortest chain before any of them, they, the shortest chain after any of them (Carlier 1982).
    - *A chain*: a task starts after all that it needs have ended, and no sooner than its own cheapest set-up.
    - *The hands*: one person does the handwork of all units. On a unit much is left to record after its first set-up,
      and less after each that follows; so for any length of time, all set-ups after which at least so much is left
      come before that. If the hands must rest during recordings, every second of handwork comes on top of the
      longest stretch of recordings that exclude one another, with the chains before and after it.

    What a problem says about the middle of an evening is left out, which makes bounds lower, not wrong.
    """
    if not problem.tasks:
        return 0.0
    heads, tails = _heads(problem), _tails(problem)
    ends = (head + task.duration for head, task in zip(heads, problem.tasks, strict=True))
    loads = [_Load(problem, unit, heads, tails) for unit in range(problem.unit_count) if tasks_on(problem, unit)]
    everything = [*ends, *(load.bound() for load in loads), _hands(loads)]
    if not problem.hands_during_passes:
        handwork = sum(least_handwork(problem, unit) for unit in range(problem.unit_count))
        everything.append(handwork + _recordings(problem))
    return max(everything)


@lru_cache(maxsize=64)
def least_handwork(problem: Problem, unit: int) -> float:
    """Seconds of handwork on one unit that no order of its tasks can go below.

    Every batch of tasks that stand on the same positions is entered at least once, which costs the cheapest way through
    all of them. And one task is the first, set up from the state at the start; each of the others costs at least its
    cheapest set-up after another task, which counts where there are no batches.
    """
    tasks = tasks_on(problem, unit)
    if not tasks:
        return 0.0
    within = {
        task: min((problem.set_up(unit, each, task) for each in tasks if each != task), default=0.0) for task in tasks
    }
    opening = min(problem.set_up(unit, None, task) - within[task] for task in tasks)
    batches = batches_on(problem, unit)
    ways = shortest_ways(batches, lambda one, other: problem.set_up(unit, one, other))
    first = [min(problem.set_up(unit, None, task) for task in batch) for batch in batches]
    return max(min(cheapest_sequences(ways, first)[-1]), sum(within.values()) + opening)


class _Load:
    """What one unit has to run, and the cheapest ways through its settings."""

    def __init__(self, problem: Problem, unit: int, heads: Sequence[float], tails: Sequence[float]) -> None:
        self._problem, self._unit, self._heads, self._tails = problem, unit, heads, tails
        self._tasks = tasks_on(problem, unit)
        self.batches = batches_on(problem, unit)
        self._beside = [_handwork_beside(problem, unit, batch) for batch in self.batches]
        recorded = (sum(problem.tasks[task].duration for task in batch) for batch in self.batches)
        self._lengths = [beside + length for beside, length in zip(self._beside, recorded, strict=True)]
        hands = shortest_ways(self.batches, lambda one, other: problem.set_up(unit, one, other))
        opening = [min(problem.set_up(unit, None, task) for task in batch) for batch in self.batches]
        self._by_hand = cheapest_sequences(hands, opening)
        held = shortest_ways(self.batches, self._held)
        ends = [min(tails[task] for task in batch) for batch in self.batches]
        ends = [min(way + end for way, end in zip(row, ends, strict=True)) for row in held]
        backwards = [list(column) for column in zip(*held, strict=True)]
        self._to_the_end = cheapest_sequences(backwards, ends)
        """By set of batches and its first: probes and set-ups from there through all of the set, and what follows."""
        self._through = cheapest_sequences(held, [0.0] * len(held))
        self._probed = [
            problem.probe_s
            if min(opening[b], *(row[b] for a, row in enumerate(hands) if a != b), opening[b]) > 0.0
            else 0.0
            for b in range(len(self.batches))
        ]

    def bound(self) -> float:
        """How long this unit alone makes the evening."""
        openings = [
            min(max(self._held(None, task), self._heads[task] - beside) for task in batch)
            for batch, beside in zip(self.batches, self._beside, strict=True)
        ]
        ways = zip(openings, self._to_the_end[-1], strict=True)
        return max(min(opening + way for opening, way in ways) + sum(self._lengths), self._bound_of_some())

    def _bound_of_some(self) -> float:
        """The same for tasks that are not among the first, or not among the last."""
        batch_of = {task: index for index, batch in enumerate(self.batches) for task in batch}
        late_first = sorted(self._tasks, key=lambda task: -self._heads[task])
        least_way = [min(row) if entered else 0.0 for entered, row in enumerate(self._through)]
        bound = 0.0
        for tail in {self._tails[task] for task in self._tasks}:
            entered, length = 0, 0.0
            for task in late_first:
                if self._tails[task] >= tail:
                    entered |= 1 << batch_of[task]
                    length += self._problem.tasks[task].duration
                    bound = max(bound, self._heads[task] + length + least_way[entered] + tail)
        return bound

    def handwork_until(self, entered: int) -> float:
        """The least handwork that enters so many batches."""
        sets = (row for number, row in enumerate(self._by_hand) if number.bit_count() == entered)
        return min(min(row) for row in sets)

    def left_after(self, entered: int) -> float:
        """What is left of the evening, at least, when so many batches have been entered, the last one just now.

        That is all of this one, and the batches that have not been entered.
        """
        everything = len(self._by_hand) - 1
        least = float("inf")
        for number in range(1, everything + 1):
            if number.bit_count() != entered:
                continue
            others = everything ^ number
            length = sum(seconds for batch, seconds in enumerate(self._lengths) if others >> batch & 1)
            for batch in range(len(self.batches)):
                if number >> batch & 1:
                    own = self._probed[batch] + self._lengths[batch] - self._beside[batch]
                    least = min(least, own + length + self._to_the_end[others | 1 << batch][batch])
        return least

    def _held(self, previous: int | None, task: int) -> float:
        """How long a set-up holds the unit, with the probe after it."""
        seconds = self._problem.set_up(self._unit, previous, task)
        return seconds + self._problem.probe_s if seconds > 0.0 else 0.0


def _handwork_beside(problem: Problem, unit: int, batch: Batch) -> float:
    """Handwork on other units that holds this one: what enters settings in which only tasks of the batch stand."""
    seconds = 0.0
    for other in {other for task in batch for other in problem.tasks[task].units if other != unit}:
        for alike in batches_on(problem, other):
            if set(alike) <= set(batch):
                before = [None, *(task for task in tasks_on(problem, other) if task not in alike)]
                seconds += min(problem.set_up(other, previous, task) for previous in before for task in alike)
    return seconds


def _hands(loads: Sequence[_Load]) -> float:
    steps = [
        (load.left_after(entered), number, load.handwork_until(entered))
        for number, load in enumerate(loads)
        for entered in range(1, len(load.batches) + 1)
    ]
    done = [0.0] * len(loads)
    bound = 0.0
    for left, number, handwork in sorted(steps, reverse=True):
        done[number] = max(done[number], handwork)
        if handwork > 0.0:
            bound = max(bound, sum(done) + left)
    return bound


def _recordings(problem: Problem) -> float:
    """The longest stretch of recordings that exclude one another, with what comes before and after, without set-ups."""
    idle = Problem(problem.tasks, problem.unit_count, lambda unit, previous, task: 0.0)
    return lower_bound(idle)


def _heads(problem: Problem) -> list[float]:
    """When each task can start at the soonest, by its own cheapest set-up and by the chain that leads to it."""
    heads = [0.0] * len(problem.tasks)
    for task in sort_by_needs(problem):
        given = problem.tasks[task]
        hands = sum(_cheapest(problem, unit, task) for unit in given.units)
        ready = hands + problem.probe_s if hands > 0.0 else 0.0
        heads[task] = max([ready, *(heads[need] + problem.tasks[need].duration for need in given.needs)])
    return heads


def _tails(problem: Problem) -> list[float]:
    """What is still to be recorded after each task at least, by the chains that follow it."""
    return [chain - task.duration for chain, task in zip(chains_from(problem), problem.tasks, strict=True)]


def _cheapest(problem: Problem, unit: int, task: int) -> float:
    """The cheapest set-up of a task on a unit, after whatever it comes."""
    others = (other for other in tasks_on(problem, unit) if other != task)
    return min(problem.set_up(unit, previous, task) for previous in (None, *others))
