"""What the hands do before a pass, from where the rack stands."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from printq.models.passes import Job
from printq.models.rig import Control, Position
from printq.plan import RackState, set_up_moves
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit

Settings = Mapping[str, Position]

OPTO = build_unit(
    "opto",
    Control(id="reduction", kind="knob", range=(0, 100)),
    Control(id="gain", kind="knob", range=("7:00", "5:00"), measure="clock"),
    Control(id="ratio", kind="switch", positions=["compress", "limit"]),
    Control(id="source", kind="stepped", positions=[1, 2, 3], dial_s=8.0),
    build_switch("meter", fixed="out"),
)
RECALLED = build_unit("reverb", Control(id="decay", kind="knob", range=(0, 10)), recall="preset", preset_s=7.0)
ALL: Settings = {"reduction": 45, "gain": "7:30", "ratio": "compress", "source": 2}


def job_on(unit: str, wanted: Settings, patch_s: float = 0.0) -> Job:
    """The clarinet through a solo insert of one unit; another insert with the same unit exists."""
    return build_job(
        [OPTO, RECALLED],
        [build_insert("solo", unit, patch_s=patch_s), build_insert("room", unit)],
        [build_snapshot("soft", "solo", {unit: wanted})],
        {"clarinet": ["soft"]},
    )


def moves_of(job: Job, rack: RackState | None = None) -> list[tuple[str, Position | None, Position | None, float]]:
    moves = set_up_moves(job, job.passes[0], rack or RackState())
    return [(move.control, move.from_, move.to, move.seconds) for move in moves]


def test_a_unit_that_nobody_knows_has_every_control_dialled_in_panel_order() -> None:
    """Seconds: 6 for a knob, 2 for a switch unless the control has its own. The fixed meter switch stays out."""
    backwards = dict(reversed(list(ALL.items())))
    assert moves_of(job_on("opto", backwards)) == [
        ("reduction", None, 45, 6.0),
        ("gain", None, "7:30", 6.0),
        ("ratio", None, "compress", 2.0),
        ("source", None, 2, 8.0),
    ]


@pytest.mark.parametrize(
    ("change", "moves"),
    [
        pytest.param({}, [], id="same-settings"),
        pytest.param({"reduction": 45.0}, [], id="whole-number-and-float"),
        pytest.param({"gain": "07:30"}, [], id="one-clock-position-written-in-two-ways"),
        pytest.param({"gain": "5:00"}, [("gain", "5:00", "7:30", 6.0)], id="clock"),
        pytest.param({"gain": 3.0}, [("gain", 3.0, "7:30", 6.0)], id="from-a-scale-in-numbers"),
        pytest.param({"gain": "loud"}, [("gain", "loud", "7:30", 6.0)], id="from-a-scale-in-words"),
        pytest.param({"source": 3}, [("source", 3, 2, 8.0)], id="own-dial-time"),
        pytest.param(
            {"ratio": "limit", "reduction": 0},
            [("reduction", 0, 45, 6.0), ("ratio", "limit", "compress", 2.0)],
            id="two-in-panel-order",
        ),
        pytest.param({"meter": "in"}, [], id="a-fixed-control-is-never-moved"),
    ],
)
def test_only_what_differs_is_dialled(change: Settings, moves: list[tuple[object, ...]]) -> None:
    rack = RackState({"opto": ("solo", {**ALL, **change})})
    assert moves_of(job_on("opto", ALL), rack) == moves


@pytest.mark.parametrize(
    ("stands", "wanted", "moves"),
    [
        pytest.param(None, {"preset": "hall"}, [("preset", None, "hall", 7.0)], id="unknown"),
        pytest.param({"preset": "hall"}, {"preset": "hall"}, [], id="same"),
        pytest.param({"preset": "hall"}, {"preset": "shed"}, [("preset", "hall", "shed", 7.0)], id="other-preset"),
        pytest.param(
            {"preset": "hall", "decay": 2},
            {"preset": "hall", "decay": 3},
            [("preset", "hall", "hall", 7.0)],
            id="same-preset-with-another-value",
        ),
        pytest.param({"preset": "hall", "decay": 2}, {"preset": "hall", "decay": 2.0}, [], id="same-value"),
        pytest.param({"decay": 2}, {"decay": 3}, [("preset", None, "soft", 7.0)], id="values-alone-named-by-snapshot"),
    ],
)
def test_a_unit_with_presets_loads_one_once_if_anything_differs(
    stands: Settings | None, wanted: Settings, moves: list[tuple[object, ...]]
) -> None:
    rack = RackState({} if stands is None else {"reverb": ("solo", stands)})
    assert moves_of(job_on("reverb", wanted), rack) == moves


@pytest.mark.parametrize(
    ("before", "patch_s", "moves"),
    [
        pytest.param("room", 30.0, [("patch", "room", "solo", 30.0)], id="from-another-insert"),
        pytest.param("solo", 30.0, [], id="already-there"),
        pytest.param("room", 0.0, [], id="wired-to-both"),
    ],
)
def test_a_unit_is_patched_when_it_was_last_used_in_another_insert(
    before: str, patch_s: float, moves: list[tuple[object, ...]]
) -> None:
    rack = RackState({"opto": (before, ALL)})
    assert moves_of(job_on("opto", ALL, patch_s), rack) == moves


def test_a_unit_that_nobody_knows_is_not_patched() -> None:
    assert "patch" not in [control for control, *_ in moves_of(job_on("opto", ALL, patch_s=30.0))]


def test_every_unit_of_a_pair_is_patched_and_set_in_signal_order() -> None:
    units = [build_unit(name, build_switch("air")) for name in ("eq-a", "eq-b", "opto")]
    pair = build_insert("pair", "opto", "eq-b", "eq-a", patch_s=10.0)
    wanted = {unit.id: {"air": "in"} for unit in units}
    job = build_job(
        units, [pair, build_insert("top", "eq-a")], [build_snapshot("on", "pair", wanted)], {"viola": ["on"]}
    )
    rack = RackState({unit.id: ("top", {"air": "out"}) for unit in units})
    moves = set_up_moves(job, job.passes[0], rack)
    assert [(move.unit, move.control) for move in moves] == [
        (unit, control) for unit in ("opto", "eq-b", "eq-a") for control in ("patch", "air")
    ]


def test_after_a_set_up_nothing_is_left_to_do_and_other_units_stand_as_before() -> None:
    job = job_on("opto", ALL, patch_s=30.0)
    rack = RackState({"opto": ("room", {}), "reverb": ("room", {"preset": "hall"})})
    later = rack.after(job, job.passes[0])
    assert moves_of(job, later) == []
    assert later.of("reverb") == ("room", {"preset": "hall"})
    assert rack.of("opto") == ("room", {}), "a rack state is a record: it does not change"


def test_a_fixed_control_is_not_moved_even_where_a_snapshot_names_it() -> None:
    assert "meter" not in [control for control, *_ in moves_of(job_on("opto", {**ALL, "meter": "in"}))]
