"""Whose turn it is: the passes of a run in the order of its plan, and what that order says about each of them.

The plan is a priority, not a timetable: nothing here looks at a clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from printq.models.passes import Job
from printq.models.plan import Plan
from printq.spool.hands import Hands
from printq.spool.work import Stage, Work

__all__ = ["Turns"]


class Turns:
    """The passes of one run, those first whose turn comes first.

    Parameters
    ----------
    job, hands
        Of the run.
    is_done : callable
        Whether a pass that is not of this run is printed (pass id).
    """

    def __init__(self, job: Job, hands: Hands, is_done: Callable[[str], bool]) -> None:
        self._job = job
        self._hands = hands
        self._is_done = is_done
        self._works: dict[str, Work] = {}
        self.follows_plan = True
        """Set to False once the order has led nowhere: whatever can roll, does."""

    def __iter__(self) -> Iterator[Work]:
        return iter(list(self._works.values()))

    def begin(self, works: Iterable[Work]) -> None:
        """Take in the passes of the run, in the order of its plan."""
        self._works = {work.each.id: work for work in works}

    def follow(self, plan: Plan) -> None:
        """Go on by a new plan of the passes that wait; those that it does not name come before them, as they were."""
        for entry in plan.entries:
            work = self._works.pop(entry.pass_id)
            work.planned = entry
            self._works[entry.pass_id] = work

    def find(self, name: str) -> Work | None:
        """A pass of this run, or None where it is not of this run."""
        return self._works.get(name)

    def need(self, name: str) -> Work:
        """A pass that is of this run."""
        return self._works[name]

    def left(self) -> list[Work]:
        """The passes to which something is still to happen."""
        return [work for work in self._works.values() if not work.ended]

    def is_printed(self, name: str) -> bool:
        """Whether a pass is printed, of this run or not."""
        work = self._works.get(name)
        return work.stage is Stage.DONE if work is not None else self._is_done(name)

    def sources_are_printed(self, work: Work) -> bool:
        """Whether all that a pass plays is there."""
        return all(self.is_printed(name) for name in work.each.needs)

    def held_in_the_air(self) -> set[str]:
        """Units and channels of the takes that roll."""
        rolling = [work for work in self._works.values() if work.stage is Stage.ROLLING]
        return {name for work in rolling for name in self._job.resources_of(work.each)}

    def hands_may_move(self, work: Work, *, rolling: bool) -> bool:
        """Whether the operator is called now to set up a pass; `rolling`: a take is in the air."""
        if not self._job.options.hands_during_passes:
            return not rolling
        # What stands dialled and only waits for a moment is started first: a set-up may take minutes.
        return not any(
            other is not work
            and other.stage is Stage.WAITING
            and other.confirmed is not None
            and not other.blocked
            and self.sources_are_printed(other)
            for other in self._works.values()
        )

    def rolls_after_another_set_up(self, work: Work) -> bool:
        """Where hands rest during passes, the plan has everything that is free dialled first, then rolls it together.

        By the times of the plan this cannot lock up: what is dialled before this pass rolls is not made from it.
        """
        if self._job.options.hands_during_passes or not self.follows_plan:
            return False
        return any(
            other is not work
            and other.stage is Stage.WAITING
            and other.confirmed is None
            and other.planned.moves != ()
            and other.planned.set_up_end_s <= work.planned.start_s
            for other in self._works.values()
        )

    def next_needs_no_hands(self, work: Work) -> bool:
        """Whether the next pass on these units finds them as it wants them: a repeat of this one would, too."""
        free = set(self._job.resources_of(work.each))
        claimed = False
        for other in self._works.values():
            held = set(self._job.resources_of(other.each))
            if other.stage is Stage.WAITING and free & held:
                if self._hands.moves_for(other):
                    return False
                claimed = True
                free -= held
        return claimed
