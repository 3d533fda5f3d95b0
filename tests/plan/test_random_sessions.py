"""Sixty random sessions: how far plans are from the best known, and from what is proved to be the least.

A few of them are planned always, all with `PRINTQ_PLANS=60`. With `-s` a line is printed for each: the plan of the
built-in planner, that of the extra, the best bound, and the gaps. A plan that the extra makes much shorter was weak;
where both stay away from the bound, and more work changes neither, it is the bound.
"""

from __future__ import annotations

import os

import pytest

from printq.plan import exact
from printq.plan.bound import lower_bound
from printq.plan.solve import solve
from tests.plan.best_known import BEST_KNOWN
from tests.plan.checker import broken_rules_of
from tests.plan.random_sessions import SESSION_COUNT, random_session

ASKED = int(os.environ.get("PRINTQ_PLANS", "0"))
EFFORT = 2.0 if ASKED else 0.3
ALWAYS = (0, 30)
"""Sessions of 20 passes, both ways of using the hands: seconds altogether."""
SHORT_QUEUE = 60
OVER_BEST_KNOWN = {True: 1.03, False: 1.05}
"""By whether the queue is short: how much longer than the best known a built-in plan may be."""
OVER_OWN_BOUND = {(True, True): 1.075, (True, False): 1.105, (False, True): 1.035, (False, False): 1.15}
"""By whether the queue is short and hands work at any time: how far our own bound is from the plan at most."""
PROVED = (0, 1, 13, 14, 15, 20, 21, 30, 35, 40, 41, 45, 50, 51, 53)
"""Sessions for which the extra proves within 1 %, with the effort that commands spend."""

needs_extra = pytest.mark.skipif(
    not exact.available() and not os.environ.get("CI"), reason="OR-Tools, the extra `plan`, is not installed"
)


@pytest.mark.parametrize("number", range(SESSION_COUNT))
def test_the_plan_of_a_session_keeps_every_rule_and_is_near_the_best_known(number: int) -> None:
    if number >= max(ASKED, 6):
        pytest.skip("set PRINTQ_PLANS=60")
    problem = random_session(number).problem
    schedule = solve(problem)
    assert broken_rules_of(problem, schedule) == []
    assert lower_bound(problem) <= schedule.makespan
    known, bound = BEST_KNOWN[number]
    short = len(problem.tasks) <= SHORT_QUEUE
    assert bound <= schedule.makespan <= OVER_BEST_KNOWN[short] * known
    assert lower_bound(problem) <= known
    assert schedule.makespan <= OVER_OWN_BOUND[short, problem.hands_during_passes] * lower_bound(problem)


def test_the_best_known_plans_are_not_below_what_is_proved() -> None:
    assert sorted(BEST_KNOWN) == [*range(SESSION_COUNT)]
    for known, bound in BEST_KNOWN.values():
        assert bound <= known


@needs_extra
@pytest.mark.slow
@pytest.mark.parametrize("number", [*ALWAYS, *(n for n in range(SESSION_COUNT) if n < ASKED and n not in ALWAYS)])
def test_the_extra_shortens_a_session_and_raises_its_bound(number: int) -> None:
    session = random_session(number)
    problem = session.problem
    built_in = solve(problem)
    found = exact.improve(problem, built_in, effort=EFFORT)
    assert broken_rules_of(problem, found.schedule) == []
    assert lower_bound(problem) <= found.bound <= found.schedule.makespan <= built_in.makespan
    assert BEST_KNOWN[number][1] <= found.schedule.makespan
    assert found.bound <= BEST_KNOWN[number][0]
    if number in PROVED and EFFORT >= exact.EFFORT:
        assert found.schedule.makespan <= 1.01 * found.bound

    def gap(makespan: float, least: float) -> str:
        return f"{100.0 * (makespan / least - 1.0):5.2f} %"

    print(
        f"{number:2d} {session.traits}: built-in {built_in.makespan:.0f} s, extra {found.schedule.makespan:.0f} s, "
        f"bound {found.bound:.0f} s{' (the least)' if found.proved else ''}; built-in over extra "
        f"{gap(built_in.makespan, found.schedule.makespan)}, built-in over bound "
        f"{gap(built_in.makespan, found.bound)}, "
        f"extra over bound {gap(found.schedule.makespan, found.bound)}"
    )
