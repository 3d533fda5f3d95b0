"""The lighthouse waltz as a session: its files fit together and show what the README says they show."""

from __future__ import annotations

from pathlib import Path

from printq.intake import check_job
from printq.models.passes import Job

SESSION = Path(__file__).parents[2] / "sample_sessions" / "lighthouse_waltz"


def load() -> Job:
    report = check_job(SESSION)
    assert report.problems == ()
    assert report.job is not None
    return report.job


def test_the_session_has_nine_passes_that_end_in_the_mix() -> None:
    assert [each.id for each in load().passes] == [
        "clarinet/solo",
        "viola/strings",
        "cello/strings",
        "cello/solo",
        "harp/wide",
        "harmonium/reel",
        "narrator/speech",
        "mix/bus",
        "mix/wide",
    ]


def test_the_rig_shows_series_sharing_presets_and_three_channel_modes() -> None:
    rig = load().rig
    assert {insert.mode for insert in rig.insert} == {"mono", "stereo", "mid-side"}
    assert any(len(insert.units) > 1 for insert in rig.insert)
    users = [unit for insert in rig.insert for unit in insert.each_unit()]
    assert len(users) > len(set(users))
    assert {unit.recall for unit in rig.unit} == {"hands", "preset"}


def test_every_unit_and_every_insert_of_the_rig_is_used() -> None:
    job = load()
    used = {each.insert for each in job.passes}
    assert used == {insert.id for insert in job.rig.insert}
    assert {unit for insert in job.rig.insert for unit in insert.each_unit()} == {unit.id for unit in job.rig.unit}
