"""The shortest schedule of a tiny problem, by trying every order of its events."""

from __future__ import annotations

from printq.plan.problem import Problem

__all__ = ["shortest"]


def shortest(problem: Problem) -> float:
    """The least makespan there is, in seconds; for up to five tasks.

    Every schedule is an order of its events, "the set-up of t begins" and "t begins to record", and no event
    need come later than what came before it demands. So the shortest schedule is among those orders.
    """
    return _Exhaustive(problem).shortest


class _Exhaustive:
    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self.shortest = float("inf")
        count = len(problem.tasks)
        self._go_on(
            waiting=frozenset(range(count)),
            ready={},
            ends={},
            free=(0.0,) * problem.unit_count,
            last=(None,) * problem.unit_count,
            hands=0.0,
            recorded=0.0,
        )

    def _go_on(
        self,
        waiting: frozenset[int],
        ready: dict[int, float],
        ends: dict[int, float],
        free: tuple[float, ...],
        last: tuple[int | None, ...],
        hands: float,
        recorded: float,
    ) -> None:
        """Try every next event. `ready` is what is set up and waits to record, `free` is infinite for held units."""
        if recorded >= self.shortest:
            return
        if not waiting and not ready:
            self.shortest = recorded
            return
        problem = self._problem
        for task in sorted(waiting):
            units = problem.tasks[task].units
            begin = max(free[unit] for unit in units)
            if begin == float("inf"):
                continue
            seconds = sum(problem.set_up(unit, last[unit], task) for unit in units)
            probe, then = 0.0, hands
            if seconds > 0.0:
                begin = max(begin, hands, 0.0 if problem.hands_during_passes else recorded)
                probe, then = problem.probe_s, begin + seconds
            held = tuple(float("inf") if unit in units else at for unit, at in enumerate(free))
            stands = tuple(task if unit in units else at for unit, at in enumerate(last))
            set_up = {**ready, task: begin + seconds + probe}
            self._go_on(waiting - {task}, set_up, ends, held, stands, then, recorded)
        for task in sorted(ready):
            given = problem.tasks[task]
            if not all(need in ends for need in given.needs):
                continue
            start = max([ready[task], *(ends[need] for need in given.needs)])
            if not problem.hands_during_passes:
                start = max(start, hands)
            end = start + given.duration
            rest = {other: at for other, at in ready.items() if other != task}
            freed = tuple(end if unit in given.units else at for unit, at in enumerate(free))
            self._go_on(waiting, rest, {**ends, task: end}, freed, last, hands, max(recorded, end))
