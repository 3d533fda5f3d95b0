"""What is said of when the rack was switched on reaches plan and run."""

from __future__ import annotations

import json
from typing import Any

import pytest

from printq.errors import ExitStatus
from tests.sessions import SmallSession


@pytest.fixture
def slow_valve(session: SmallSession) -> SmallSession:
    """The viola comes first in the job and goes through a unit that has to be on for a minute; both share the cable."""
    session.rig["unit"].append({"id": "valve", "label": "Valve stage", "warm_up_min": 1})
    session.rig["insert"].append(
        {"id": "glow", "units": ["cable", "valve"], "sends": [5], "returns": [5], "tail_s": 0.1}
    )
    session.snapshots["snapshot"].append({"id": "glowing", "insert": "glow"})
    session.job["stem"] = [
        {"id": "viola", "file": "dry/viola.wav", "through": [{"insert": "glow", "snapshot": "glowing"}]},
        {"id": "clarinet", "file": "dry/clarinet.wav", "through": [{"insert": "wire", "snapshot": "through"}]},
    ]
    return session.write()


@pytest.mark.parametrize(
    ("said", "first"),
    [
        pytest.param([], "viola/glow", id="nothing said"),
        pytest.param(["--rack-on", "0.97"], "clarinet/wire", id="warm when the other is done"),
        pytest.param(["--rack-on", "1"], "viola/glow", id="warm already"),
    ],
)
def test_plan_has_cold_units_last_where_it_costs_nothing(
    slow_valve: SmallSession, type_in: Any, said: list[str], first: str
) -> None:
    plan = type_in("plan", slow_valve.folder, "--json", *said).json
    assert plan["entries"][0]["pass"] == first
    # 0.3 + 0.1 + 0.2 + 1 of material + 0.1 + 0.2 + 0.1 + 0.5, twice
    assert plan["makespan_s"] == pytest.approx(2 * 2.5)


def test_run_records_on_a_warm_unit_what_plan_has_last(slow_valve: SmallSession, type_in: Any) -> None:
    answer = type_in("run", slow_valve.folder, "--yes", "--workers", "0", "--rack-on", "0.97")
    assert answer.status == ExitStatus.DONE
    assert "still cold" not in answer.err
    sidecar = json.loads((slow_valve.folder / "dry/viola.glow.v1.json").read_text())
    (check,) = [check for check in sidecar["checks"] if check["check"] == "warm_up"]
    assert check["verdict"] == "pass"


def test_run_warns_of_what_is_cold_all_the_same(slow_valve: SmallSession, type_in: Any) -> None:
    answer = type_in("run", slow_valve.folder, "--yes", "--workers", "0", "--rack-on", "0")
    assert answer.status == ExitStatus.DONE
    assert "valve still cold" in answer.err
