"""A planning problem as a model for OR-Tools CP-SAT; needs the extra `plan`.

For each unit a circuit through its tasks says what comes after what; for each task there are the moments at which its
set-up begins, at which that ends, and at which it begins to record. A set-up of no length is absent: it would block
the hands at its moment.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from itertools import pairwise

from ortools.sat.python import cp_model

from printq.plan.bound import lower_bound
from printq.plan.chains import chains_before, chains_from
from printq.plan.events import Event
from printq.plan.problem import Problem
from printq.plan.schedule import Schedule
from printq.plan.twins import twins

__all__ = ["Model"]

HEARS_EVERY_S = 0.1
"""Python's signal handlers run between two waits of this length, at the latest."""
NEAR = 0.0005
"""The search stops once the plan is this close to its bound, relative: a few seconds of an evening."""


class Model:
    """A problem whose times are whole numbers.

    Parameters
    ----------
    problem : Problem
    limit : Schedule
        Its plan: nothing longer is looked at.
    """

    def __init__(self, problem: Problem, limit: Schedule) -> None:
        count = len(problem.tasks)
        self._problem = problem
        self._model = model = cp_model.CpModel()
        self._latest = round(limit.makespan)
        self._first = limit
        self._length = model.new_int_var(int(lower_bound(problem) + 1e-6), self._latest, "length")
        self._durations = [round(task.duration) for task in problem.tasks]
        self._before = [round(chain) for chain in chains_before(problem)]
        self._from = [round(chain) for chain in chains_from(problem)]
        self._begins = [model.new_int_var(0, self._latest - self._from[i], f"begin {i}") for i in range(count)]
        self._readies = [model.new_int_var(0, self._latest - self._from[i], f"ready {i}") for i in range(count)]
        self._starts = [
            model.new_int_var(self._before[i], self._latest - self._from[i], f"start {i}") for i in range(count)
        ]
        self._moves = [model.new_bool_var(f"moves {i}") for i in range(count)]
        self._handwork = [model.new_int_var(0, self._latest, f"handwork {i}") for i in range(count)]
        self._on = [[i for i in range(count) if unit in problem.tasks[i].units] for unit in range(problem.unit_count)]
        self._untouched = {i for i in range(count) if not any(self._costs(unit, i) for unit in problem.tasks[i].units)}
        """Tasks that need no handwork, whatever they follow."""
        self._arcs: dict[tuple[int, int | None, int | None], cp_model.IntVar] = {}
        """For a unit, a task (or None at the start) and the next (or None at the end)."""
        self._twins = twins(problem)
        self._earlier = {
            (one[0], other[0])
            for chains in self._twins
            for place, one in enumerate(chains)
            for other in chains[place + 1 :]
        }
        self._state_tasks()
        for unit, tasks in enumerate(self._on):
            if tasks:
                self._state_unit(unit, tasks)
        self._state_handwork()
        self._state_hands()

    def shorten(self, effort: float) -> tuple[list[list[Event]], float]:
        """Events of the shortest plan found, none if nothing was found; and a bound on the length of all plans."""
        self._model.minimize(self._length)
        self._hint(self._first)
        solver = self._solver(effort)
        solver.parameters.relative_gap_limit = NEAR
        return self._solve(solver), solver.best_objective_bound

    def calm(self, given: Schedule, effort: float) -> list[list[Event]]:
        """Events of a plan no longer than the one given, with less handwork, then fewer interruptions."""
        weight = len(self._moves) + 1
        self._model.add(self._length <= round(given.makespan))
        self._model.minimize(weight * sum(self._handwork) + sum(self._moves))
        self._hint(given)
        return self._solve(self._solver(effort))

    def _state_tasks(self) -> None:
        model, probe = self._model, round(self._problem.probe_s)
        for task, given in enumerate(self._problem.tasks):
            begin, ready, start = self._begins[task], self._readies[task], self._starts[task]
            if task in self._untouched:
                # Its units may as well be held no sooner than it records.
                model.add(begin == start)
                model.add(ready == start)
            else:
                model.add(ready == begin + self._handwork[task])
                probed = ready + probe * self._moves[task]
                # Where it waits for nothing, and is in nobody's way, it records at once.
                at_once = not given.needs and self._problem.hands_during_passes
                model.add(start == probed if at_once else start >= probed)
            model.add(self._length >= start + self._from[task])
            for need in given.needs:
                model.add(start >= self._starts[need] + self._durations[need])
        for chains in self._twins:
            for one, other in pairwise(chains):
                model.add(self._starts[one[0]] <= self._starts[other[0]])

    def _state_unit(self, unit: int, tasks: list[int]) -> None:
        model = self._model
        holds = []
        for task in tasks:
            end = self._starts[task] + self._durations[task]
            if task in self._untouched:
                holds.append(model.new_fixed_size_interval_var(self._starts[task], self._durations[task], ""))
                continue
            held = model.new_int_var(self._durations[task], self._latest, "")
            holds.append(model.new_interval_var(self._begins[task], held, end, ""))
        model.add_no_overlap(holds)
        if not any(self._costs(unit, task) for task in tasks):
            # Nothing depends on what came before: an order is all that is needed.
            return
        places: dict[int | None, int] = {None: 0}
        places.update((task, place) for place, task in enumerate(tasks, start=1))
        arcs = []
        for previous, following in self._possible_arcs(tasks):
            literal = model.new_bool_var("")
            self._arcs[unit, previous, following] = literal
            arcs.append((places[previous], places[following], literal))
            if previous is not None and following is not None:
                end = self._starts[previous] + self._durations[previous]
                model.add(self._begins[following] >= end).only_enforce_if(literal)
        model.add_circuit(arcs)
        model.add(
            self._length >= sum(self._load(unit, previous, task) for previous, task in self._possible_arcs(tasks))
        )
        closing = sum(
            (self._from[task] - self._durations[task]) * self._arcs[unit, task, None]
            for task in tasks
            if (unit, task, None) in self._arcs
        )
        probe = round(self._problem.probe_s)
        held_for = (self._durations[task] + self._handwork[task] + probe * self._moves[task] for task in tasks)
        model.add(self._length >= sum(held_for) + closing)

    def _costs(self, unit: int, task: int) -> bool:
        """Whether a task may need handwork on a unit."""
        return any(self._problem.set_up(unit, each, task) for each in (None, *self._on[unit]) if each != task)

    def _possible_arcs(self, tasks: list[int]) -> Iterable[tuple[int | None, int | None]]:
        """What may follow what on a unit, twins only in one order."""
        later = {other for one, other in self._earlier if one in tasks}
        sooner = {one for one, other in self._earlier if other in tasks}
        for task in tasks:
            if task not in later:
                yield None, task
            if task not in sooner:
                yield task, None
            for other in tasks:
                if other != task and (other, task) not in self._earlier:
                    yield task, other

    def _load(self, unit: int, previous: int | None, task: int | None) -> cp_model.LinearExprT:
        """How much an arc lengthens the evening of its unit."""
        literal = self._arcs[unit, previous, task]
        if task is None:
            assert previous is not None
            return (self._from[previous] - self._durations[previous]) * literal
        seconds = round(self._problem.set_up(unit, previous, task))
        seconds += round(self._problem.probe_s) if seconds else 0
        if previous is None:
            seconds = max(seconds, self._before[task])
        return (seconds + self._durations[task]) * literal

    def _state_handwork(self) -> None:
        """A task's handwork is what its arcs cost; there is some where one of them costs something."""
        costly: list[dict[int, list[tuple[int, cp_model.IntVar]]]] = [{} for _ in self._moves]
        for (unit, previous, task), literal in self._arcs.items():
            if task is not None and (cost := round(self._problem.set_up(unit, previous, task))) > 0:
                costly[task].setdefault(unit, []).append((cost, literal))
        model = self._model
        for task, by_unit in enumerate(costly):
            moves = self._moves[task]
            model.add(self._handwork[task] == sum(cost * arc for arcs in by_unit.values() for cost, arc in arcs))
            moved_on = [sum(arc for _, arc in arcs) for arcs in by_unit.values()]
            if len(moved_on) == 1:
                model.add(moves == moved_on[0])
                continue
            model.add(moves <= sum(moved_on))
            for moved in moved_on:
                model.add(moves >= moved)

    def _state_hands(self) -> None:
        model = self._model
        everything = sum(self._handwork)
        set_ups = [
            model.new_optional_interval_var(begin, handwork, ready, moves, "")
            for begin, handwork, ready, moves in zip(
                self._begins, self._handwork, self._readies, self._moves, strict=True
            )
        ]
        model.add_no_overlap(set_ups)
        if self._problem.hands_during_passes:
            model.add(self._length >= everything + min(self._from))
            return
        # Every recording is on some unit: one of its recordings or anybody's set-up at a time.
        for tasks in self._on:
            recordings = (
                model.new_fixed_size_interval_var(self._starts[task], self._durations[task], "") for task in tasks
            )
            model.add_no_overlap([*set_ups, *recordings])
        apart = [sum(self._durations[task] for task in tasks) for tasks in self._on]
        model.add(self._length >= everything + max(*apart, *self._from))

    def _hint(self, plan: Schedule) -> None:
        model = self._model
        model.clear_hints()  # type: ignore[no-untyped-call]
        other_names = self._twins_in_order(plan)
        last: list[int | None] = [None] * len(self._on)
        followers: set[tuple[int, int | None, int | None]] = set()
        for slot in plan.slots:
            task = other_names[slot.task]
            for unit in self._problem.tasks[task].units:
                followers.add((unit, last[unit], task))
                last[unit] = task
            model.add_hint(self._begins[task], round(slot.set_up_start))
            model.add_hint(self._readies[task], round(slot.set_up_end))
            model.add_hint(self._starts[task], round(slot.start))
            model.add_hint(self._handwork[task], round(slot.set_up_end - slot.set_up_start))
            model.add_hint(self._moves[task], slot.set_up_end > slot.set_up_start)
        followers.update((unit, task, None) for unit, task in enumerate(last) if task is not None)
        for arc, literal in self._arcs.items():
            model.add_hint(literal, arc in followers)
        model.add_hint(self._length, round(plan.makespan))

    def _twins_in_order(self, plan: Schedule) -> Mapping[int, int]:
        """For each task of a plan the one that takes its place, so that twins come in the order of the job."""
        place = {slot.task: index for index, slot in enumerate(plan.slots)}
        names = {task: task for task in place}
        for chains in self._twins:
            by_plan = sorted(chains, key=lambda chain: place[chain[0]])
            for chain, takes_place in zip(by_plan, chains, strict=True):
                names.update(zip(chain, takes_place, strict=True))
        return names

    def _solver(self, effort: float) -> cp_model.CpSolver:
        solver = cp_model.CpSolver()
        # Two workers that run freely are not repeatable; eight that take turns are.
        solver.parameters.num_workers = 8
        solver.parameters.interleave_search = True
        solver.parameters.max_deterministic_time = effort
        # Of the searches through everything only those that prove most: each has its turn before a neighbourhood of
        # the plan has. "fixed" tries moment after moment, and counts next to nothing for that.
        for name in ("fixed", "default_lp", "pseudo_costs", "quick_restart_no_lp", "reduced_costs"):
            solver.parameters.ignore_subsolvers.append(name)
        return solver

    def _solve(self, solver: cp_model.CpSolver) -> list[list[Event]]:
        status = self._solve_aside(solver)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return []
        sources = {
            task: {arc[1] for arc, literal in self._arcs.items() if arc[2] == task and solver.boolean_value(literal)}
            for task in range(len(self._moves))
        }
        begins = [solver.value(begin) for begin in self._begins]
        starts = [solver.value(start) for start in self._starts]
        # Tasks of no length may share a moment: there the circuits know what comes first.
        placed: list[int | None] = [None]
        while len(placed) <= len(begins):
            left = (task for task in range(len(begins)) if task not in placed and sources[task] <= {*placed})
            placed.append(min(left, key=lambda task: (begins[task], starts[task], task)))
        moments = []
        for place, task in enumerate(placed[1:]):
            assert task is not None
            moments += [(begins[task], place, False, task), (starts[task], place, True, task)]
        return [[(task, records) for _, _, records, task in sorted(moments)]]

    def _solve_aside(self, solver: cp_model.CpSolver) -> cp_model.CpSolverStatus:
        """Search in another thread: this one hears Ctrl-C, and ends the search before it passes it on."""
        # The solver would take the signal for itself, and nobody else would hear of it.
        solver.parameters.catch_sigint_signal = False
        with ThreadPoolExecutor(1) as aside:
            searching = aside.submit(solver.solve, self._model)
            try:
                while not searching.done():
                    wait([searching], HEARS_EVERY_S)
            except BaseException:
                solver.stop_search()
                raise
            return searching.result()
