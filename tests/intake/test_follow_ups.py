"""One mistake is one report: what only follows from it is not reported, and what would be lost in silence is."""

from __future__ import annotations

import pytest

from printq.intake import check_job
from tests.intake.builders import RATE, SmallSession, write_broadcast_wave

SUM = '["clarinet", { stem = "harp", gain_db = -1.5, pan = 0 }]'


def keys_of(session: SmallSession) -> list[str]:
    return [problem.key for problem in check_job(session.folder).problems]


@pytest.mark.parametrize(
    ("file", "old", "new", "key"),
    [
        pytest.param("rig.toml", 'mode = "stereo"', 'mode = "sterio"', "insert[reel].mode", id="mode of an insert"),
        pytest.param("rig.toml", '"valve-eq"]', '"valve-qe"]', "insert[solo].units[1]", id="unit of an insert"),
        pytest.param("rig.toml", 'id = "valve-eq"', 'id = "Valve-EQ"', "unit[Valve-EQ].id", id="capitals in an id"),
    ],
)
def test_a_mistake_in_the_rig_is_not_reported_again_where_it_matters(
    file: str, old: str, new: str, key: str, session: SmallSession
) -> None:
    session.replace(file, old, new)
    assert keys_of(session) == [key]


def test_an_insert_that_a_snapshot_misspells_is_not_held_against_its_passes(session: SmallSession) -> None:
    text = session.read("snapshots.toml")
    session.write("snapshots.toml", text.replace('insert = "reel"', 'insert = "real"'))
    assert keys_of(session) == ["snapshot[reel-warm].insert"]


def test_an_insert_that_a_pass_misspells_is_not_held_against_its_snapshot(session: SmallSession) -> None:
    session.replace("job.toml", 'insert = "solo"', 'insert = "sola"')
    assert keys_of(session) == ["stem[clarinet].through[0].insert"]


def test_a_sum_without_passes_leaves_no_print_that_another_sum_could_take(session: SmallSession) -> None:
    text = session.read("job.toml").replace(SUM, '["sub", "harp"] # mix')
    session.write("job.toml", text + '\n[[stem]]\nid = "sub"\nsum_of = ["clarinet"]\n')
    report = check_job(session.folder)
    assert report.job is None
    (problem,) = report.problems
    assert (problem.key, problem.line) == ("stem[mix].sum_of[0]", session.line_of("job.toml", "# mix"))
    assert "sub is a sum that takes no pass" in problem.message
    assert "give sub a pass, or name the stems that it sums" in problem.hint


def test_a_bounce_of_a_sum_without_passes_is_refused_as_well(session: SmallSession) -> None:
    text = session.read("job.toml").replace(f"sum_of = {SUM}", 'file = "mixes/waltz.wav"\nmade_from = ["sub"]')
    session.write("job.toml", text + '\n[[stem]]\nid = "sub"\nsum_of = ["clarinet"]\n')
    assert keys_of(session) == ["stem[mix].made_from[0]"]


@pytest.mark.parametrize(("hours", "cautions"), [(1, 0), (10, 1)])
def test_files_that_start_hours_apart_make_a_sum_that_is_mostly_silence(
    hours: int, cautions: int, session: SmallSession
) -> None:
    """One file exported from zero and one from ten in the morning: every key is right and the sum is ten hours long."""
    write_broadcast_wave(session.folder / "dry/clarinet.wav", 0, 1)
    write_broadcast_wave(session.folder / "dry/harp.wav", hours * 3600 * RATE, 2)
    report = check_job(session.folder)
    assert report.job is not None
    assert [(problem.severity, problem.key) for problem in report.problems] == [
        ("caution", "stem[mix].sum_of")
    ] * cautions
    assert all(f"start {hours}.0 hours apart" in problem.message for problem in report.problems)


def test_inserts_that_meet_on_a_channel_but_share_no_unit_are_a_caution(session: SmallSession) -> None:
    session.replace("rig.toml", "returns = [2, 3]", "returns = [1, 3] # shared")
    report = check_job(session.folder)
    assert report.job is not None
    (problem,) = report.problems
    assert (problem.severity, problem.key) == ("caution", "insert[reel].returns[0]")
    assert problem.line == session.line_of("rig.toml", "# shared")
    assert "return 1 is on insert solo as well" in problem.message


def test_inserts_that_share_a_unit_may_share_its_channels(session: SmallSession) -> None:
    more = '\n[[insert]]\nid = "opto-alone"\nunits = ["opto"]\nsends = [1]\nreturns = [1]\n'
    session.write("rig.toml", session.read("rig.toml") + more)
    assert check_job(session.folder).problems == ()


def test_a_bounced_stem_without_a_pass_is_no_part_of_a_sum(session: SmallSession) -> None:
    text = session.read("job.toml")
    bounced = '\n[[stem]]\nid = "bounced"\nfile = "dry/harp.wav"\nmade_from = ["clarinet"]\n'
    session.write("job.toml", text.replace(SUM, '["bounced"]') + bounced)
    (problem,) = [p for p in check_job(session.folder).problems if p.severity == "error"]
    assert "bounced is bounced from prints and takes no pass" in problem.message
