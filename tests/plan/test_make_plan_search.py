"""A plan that is searched for with the extra: where it is asked for, where it pays, and without the extra."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from printq.intake import load_job
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.plan import exact, make_plan
from printq.plan.solve import solve
from tests.plan.problems import random_problem

WALTZ = Path(__file__).parents[2] / "sample_sessions" / "lighthouse_waltz"

needs_extra = pytest.mark.skipif(
    not exact.available() and not os.environ.get("CI"), reason="OR-Tools, the extra `plan`, is not installed"
)


def plan_waltz(*, search: bool) -> Plan:
    job: Job = load_job(WALTZ)
    return make_plan(job, [each.id for each in job.passes], search=search)


@needs_extra
def test_a_search_says_that_the_bound_is_proved_by_it() -> None:
    without, found = plan_waltz(search=False), plan_waltz(search=True)
    assert (without.bound_by, found.bound_by) == ("arguments", "search")
    assert without.lower_bound_s < found.lower_bound_s <= found.makespan_s <= without.makespan_s
    assert {entry.pass_id for entry in found.entries} == {entry.pass_id for entry in without.entries}
    assert found == plan_waltz(search=True)


def test_without_the_extra_a_plan_comes_from_the_built_in_planner(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "ortools", None)  # an import of it fails, as where it is not installed
    monkeypatch.setattr(exact, "find_spec", lambda name: None)
    assert plan_waltz(search=True) == plan_waltz(search=False)


@needs_extra
def test_a_search_is_begun_only_where_it_can_save_more_than_it_takes() -> None:
    problem = random_problem(5, tasks=12, units=3)
    schedule = solve(problem)
    assert exact.is_worth_it(problem, schedule)
    seconds_long = replace(problem, tasks=tuple(replace(task, duration=0.01) for task in problem.tasks))
    free = replace(seconds_long, set_up=lambda *_: 0.0)
    assert not exact.is_worth_it(free, solve(free))
    assert not exact.is_worth_it(replace(problem, hands_free=1.0), schedule)
    many = random_problem(5, tasks=exact.LARGEST_QUEUE + 1, units=3)
    assert not exact.is_worth_it(many, solve(many, effort=0.01))


@needs_extra
def test_ctrl_c_ends_a_search_at_once() -> None:
    code = """
from printq.plan import exact
from printq.plan.solve import solve
from tests.plan.random_sessions import random_session
import ortools.sat.python.cp_model
problem = random_session(5).problem
schedule = solve(problem, effort=0.01)
print("searching", flush=True)
exact.improve(problem, schedule, effort=1e6)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as searching:
        assert searching.stdout is not None
        assert searching.stderr is not None
        assert searching.stdout.readline() == b"searching\n"
        time.sleep(1.0)
        searching.send_signal(signal.SIGINT)
        searching.wait(timeout=60)  # it would go on for days
        assert searching.stderr.read().strip().endswith(b"KeyboardInterrupt")


def test_the_command_line_comes_up_without_the_solver() -> None:
    code = """
import sys
from typer.testing import CliRunner
from printq.cli.app import app
CliRunner().invoke(app, ["plan", "--help"])
from printq.spool.session import plan_session
sys.exit("ortools" in sys.modules)
"""
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
