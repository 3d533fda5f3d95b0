"""Revises the plan of a run when something has come out otherwise than planned.

The plan is a priority, not a timetable: what begins a little later than planned changes nothing. It is made anew when
passes have to be repeated or will not come, when a set-up was taken back, when the hands were noticeably slower or
faster than the rig file says, and when the run as a whole has come a minute away from its plan.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from printq.models.passes import Job
from printq.models.plan import Plan
from printq.plan import Evening, PassLeft, PassUnderWay, revise_plan
from printq.spool.hands import Hands
from printq.spool.operator import Listener
from printq.spool.recording import Recorder
from printq.spool.turns import Turns
from printq.spool.work import Stage, Work

__all__ = ["Revision"]

NOTICEABLE_S = 5.0
"""Set-ups that took longer, or shorter, by so much in all since the last plan are a reason for a new one."""
WORTH_A_LINE_S = 60.0
"""So is an end that has moved by so much; and that is told."""
PASSES_TOLD = 3
"""How many of the passes that the hands go on with are named."""


@dataclass(frozen=True)
class _Seen:
    """A pass, as it stood when it was last looked at."""

    stage: Stage
    ended: bool
    take: int
    good: int
    dialled: bool


class Revision:
    """The plan of one run, kept up to date.

    Parameters
    ----------
    job, turns, hands, recorder, listener
        Of the run.
    clock : callable
        Seconds, from any start; never goes back.
    """

    def __init__(
        self,
        job: Job,
        turns: Turns,
        hands: Hands,
        recorder: Recorder,
        listener: Listener,
        clock: Callable[[], float],
    ) -> None:
        self._job = job
        self._turns = turns
        self._hands = hands
        self._recorder = recorder
        self._listener = listener
        self._clock = clock
        self._seen: dict[str, _Seen] = {}
        self._end_s = self._told_end_s = 0.0
        """When the run will be over, by the last plan and as it was last said, by the clock."""

    def begin(self) -> None:
        """The passes of the run stand as its first plan has them."""
        self._remember()
        self._end_s = self._told_end_s = self._clock() + self.left_s()

    def is_due(self) -> bool:
        """Whether something has come out otherwise than planned since the last look."""
        changed = any(not _is_as_planned(self._seen[work.each.id], work) for work in self._turns)
        begun = any(
            work.stage is Stage.ROLLING and self._seen[work.each.id].stage is not Stage.ROLLING for work in self._turns
        )
        self._remember()
        if changed or abs(self._hands.overrun_s) > NOTICEABLE_S:
            return True
        # On the simulated rack this would depend on how fast the machine is.
        return self._recorder.is_live and begun and abs(self._clock() + self.left_s() - self._end_s) > WORTH_A_LINE_S

    def revise(self) -> None:
        """Plan what is left anew, and go on by that."""
        by_hand = self._by_hand()
        plan = self._make_plan()
        for work in self._turns.left():
            if work.stage is not Stage.WAITING:
                self._plan_under_way(work)
        self._turns.follow(plan)
        self._hands.overrun_s = 0.0
        self._remember()
        self._end_s = self._clock() + self.left_s()
        self._tell(by_hand)

    def left_s(self) -> float:
        """In about how many seconds all is done, if everything goes on by the plan.

        How far the plan has come is seen from the takes in the air and the set-up that is open, the slowest of them;
        while a set-up is open for longer than planned, the plan does not get on.
        """
        left = self._turns.left()
        if not left:
            return 0.0
        return max(0.0, max(work.planned.end_s for work in left) - self._come_to(left))

    def _come_to(self, left: list[Work]) -> float:
        """Seconds of the plan that are behind us."""
        flights = [work.planned.start_s + self._recorded_s(work) for work in left if work.flight is not None]
        asked = self._hands.asked
        if asked is not None:
            planned = asked.planned
            if flights:
                return min(planned.set_up_end_s, *flights)
            return min(planned.set_up_start_s + self._hands.asked_s, planned.set_up_end_s)
        if flights:
            return min(flights)
        waiting = [work for work in left if work.stage is Stage.WAITING]
        if not waiting:
            return max(work.planned.end_s for work in left)
        return min(
            work.planned.start_s + self._recorded_s(work) if work.confirmed is not None else work.planned.set_up_start_s
            for work in waiting
        )

    def _recorded_s(self, work: Work) -> float:
        """How much of a pass is recorded: takes that are good, and what has been heard of the one in the air."""
        heard = work.flight.heard_frames if work.flight is not None else 0
        return (len(work.good) * work.each.layout.total + heard) / work.each.rate

    # ---- a new plan ----

    def _make_plan(self) -> Plan:
        asked = self._hands.asked
        waiting = [work for work in self._turns.left() if work.stage is Stage.WAITING]
        # By set-up: that is the order in which the plan was made.
        waiting.sort(key=lambda work: (work.planned.set_up_start_s, work.planned.start_s))
        under_way = [work for work in self._turns.left() if work.stage is not Stage.WAITING]
        evening = Evening(
            left=tuple(
                PassLeft(
                    work.each,
                    self._job.options.takes - len(work.good),
                    work.confirmed is not None and not self._hands.moves_for(work),
                )
                for work in waiting
            ),
            under_way=tuple(PassUnderWay(work.each, self._take_left_s(work)) for work in under_way),
            rack=self._hands.rack,
            asked=asked.each.id if asked is not None else None,
            asked_left_s=self._asked_left_s(asked) if asked is not None else 0.0,
            rack_on_s=self._recorder.rack_on_s,
        )
        return revise_plan(self._job, evening)

    def _asked_left_s(self, asked: Work) -> float:
        planned = sum(move.seconds for move in self._hands.moves_for(asked))
        return max(0.0, planned - self._hands.asked_s)

    def _take_left_s(self, work: Work) -> float:
        """How long a pass that is under way still records; one that is being checked has one more take behind it."""
        checked = work.each.layout.total / work.each.rate if work.stage is Stage.CHECKING else 0.0
        whole = self._job.options.takes * work.each.layout.total / work.each.rate
        return max(0.0, whole - self._recorded_s(work) - checked)

    def _plan_under_way(self, work: Work) -> None:
        """What is under way is where it is, and ends by itself."""
        start, end = -self._recorded_s(work), self._take_left_s(work)
        times = {"set_up_start_s": start, "set_up_end_s": start, "probe_end_s": start, "start_s": start, "end_s": end}
        work.planned = work.planned.model_copy(update=times)

    # ---- what is said of it ----

    def _by_hand(self) -> list[str]:
        """The passes that are still to be dialled, in the order of the plan."""
        waiting = [work for work in self._turns.left() if work.stage is Stage.WAITING and work.confirmed is None]
        by_hand = [work for work in waiting if work.planned.moves]
        return [work.each.id for work in sorted(by_hand, key=lambda work: work.planned.set_up_start_s)]

    def _tell(self, before: list[str]) -> None:
        """Say it in one line, if the hands have to know or the end has moved noticeably."""
        now = self._by_hand()
        said = []
        if [name for name in before if name in now] != [name for name in now if name in before]:
            more = ", …" if len(now) > PASSES_TOLD else ""
            said.append(f"the hands go on with {', '.join(now[:PASSES_TOLD])}{more}")
        moved = self._end_s - self._told_end_s
        if abs(moved) > WORTH_A_LINE_S:
            late = f"{abs(moved) / 60.0:.0f} min {'later' if moved > 0.0 else 'sooner'}"
            said.append(f"done in about {self.left_s() / 60.0:.0f} min, {late} than said before")
            self._told_end_s = self._end_s
        if said:
            self._listener.tell("plan", None, "; ".join(said))

    def _remember(self) -> None:
        self._seen = {work.each.id: _see(work) for work in self._turns}


def _see(work: Work) -> _Seen:
    take = work.record.number if work.record is not None else 0
    return _Seen(work.stage, work.ended, take, len(work.good), work.confirmed is not None)


def _is_as_planned(before: _Seen, work: Work) -> bool:
    """Whether a pass has come on as any plan expects it to."""
    now = _see(work)
    if before.ended:
        return True
    recorded = before.stage is not Stage.WAITING or now.take != before.take
    if now.ended:
        return now.stage is Stage.DONE and recorded
    if now.stage is not Stage.WAITING:
        return True
    if recorded:
        # Of several takes, the next is to come; otherwise this one has to be repeated.
        return now.good > before.good
    return now.dialled or not before.dialled
