"""What can be wrong with a snapshot file, and what is said about it."""

# A table reads best with a row for each case.
# ruff: noqa: E501

from __future__ import annotations

import pytest

from printq.intake import check_job
from tests.intake.broken import Edit, edits, matches
from tests.intake.builders import SmallSession

OPTO = "snapshot[solo-soft].settings.opto"
VALVE = "snapshot[solo-soft].settings.valve-eq"
FIRST = '[snapshot.settings.valve-eq]\nwidth = "12:30"\nlow-hz = 60'
REEL = 'insert = "reel"'

SNAPSHOTS = {
    "unknown key": Edit("note = ", "notes = ", "notes", "snapshot[solo-soft].notes", "unknown key", "did you mean 'note'?"),
    "note that is no text": Edit('"Backed off after the first playback."', "3", "note = 3", "snapshot[solo-soft].note", "3 is not possible", "a text in quotes"),
    "position that is a list": Edit("reduction = 45", "reduction = [45]", "[45]", f"{OPTO}.reduction", "a list is not possible", "a number or a text in quotes"),
    "unit that is no table": Edit(FIRST, "settings.valve-eq = 3", "valve-eq = 3", OPTO + ".settings", "a table is not possible", "a number or a text"),
    "duplicate": Edit('id = "reel-warm"', 'id = "solo-soft" # again', "again", "snapshot[solo-soft].id", "'solo-soft' is used twice", "of its own"),
    "case": Edit('id = "reel-warm"', 'id = "Solo-soft"', "Solo-soft", "snapshot[Solo-soft].id", "differs from 'solo-soft' in case only", "of its own"),
    "unknown insert": Edit(REEL, 'insert = "real"', "real", "snapshot[reel-warm].insert", "there is no insert 'real'", "did you mean 'reel'?"),
    "unknown insert, nothing like it": Edit(REEL, 'insert = "hall"', "hall", "snapshot[reel-warm].insert", "there is no insert 'hall'", "there is solo, reel"),
    "unit of another insert": Edit("[snapshot.settings.tape]", "[snapshot.settings.tap]", "settings.tap]", "snapshot[reel-warm].settings.tap", "unit 'tap' is not on insert reel", "did you mean 'tape'?"),
    "unknown control": Edit("reduction = 45", "reducton = 45", "reducton", f"{OPTO}.reducton", "opto has no control 'reducton'", "did you mean 'reduction'?"),
    "fixed control": Edit("reduction = 45", 'reduction = 45\nmeter = "output"', "meter", f"{OPTO}.meter", "meter is fixed and never moved", "take it out"),
    "above the range": Edit("reduction = 45", "reduction = 100.5", "100.5", f"{OPTO}.reduction", "100.5 is out of range of Peak reduction", "it goes from 0 to 100 %"),
    "text for a knob": Edit("reduction = 45", 'reduction = "45"', '"45"', f"{OPTO}.reduction", "'45' is no number", "from 0 to 100 %, without quotes"),
    "no such switch position": Edit('mode = "compress"', 'mode = "expand"', "expand", f"{OPTO}.mode", "'expand' is not a position of mode", "it has 'compress', 'limit'"),
    "no such step": Edit("low-hz = 60", "low-hz = 80", "80", f"{VALVE}.low-hz", "80 is not a position of low-hz", "it has 30, 60, 100"),
    "step in quotes": Edit("low-hz = 60", 'low-hz = "60"', '"60"', f"{VALVE}.low-hz", "'60' is not a position of low-hz", "it has 30, 60, 100, without quotes"),
    "dead part": Edit('"12:30"', '"5:30"', "5:30", f"{VALVE}.width", "'5:30' is in the dead part of width", "from '7:00' to '5:00'"),
    "no time": Edit('"12:30"', '"half past"', "half past", f"{VALVE}.width", "'half past' is no clock position", "from '7:00' to '5:00'"),
    "number on a clock": Edit('"12:30"', "12.5", "12.5", f"{VALVE}.width", "12.5 is no clock position", "written in quotes"),
    "control left out": Edit("reduction = 45\n", "# reduction\n", '[snapshot.settings.opto]\n'.strip(), OPTO, "incomplete: opto has no position for reduction", "[snapshot.settings.opto]"),
    "unit left out": Edit(FIRST, "# valve", "[[snapshot]]", "snapshot[solo-soft]", "incomplete: valve-eq has no position for width, low-hz", "under [snapshot.settings.valve-eq]"),
    "preset by hand": Edit("reduction = 45", 'preset = "soft"', "preset = \"soft", f"{OPTO}.preset", "opto is set by hand and stores no presets", "every control its position"),
    "unknown preset": Edit('"reed warmth"', '"reed wormth"', "wormth", "snapshot[reel-warm].settings.tape.preset", "tape has no preset 'reed wormth'", "did you mean 'reed warmth'?"),
    "preset by number": Edit('"reed warmth"', "3", "preset = 3", "snapshot[reel-warm].settings.tape.preset", "3 is no preset name", "in quotes"),
    "no preset": Edit('preset = "reed warmth"', "", "# reel", "snapshot[reel-warm].settings.tape", "incomplete: tape has no preset", "preset = …"),
}  # fmt: skip


@pytest.mark.parametrize("edit", edits(SNAPSHOTS))
def test_a_mistake_in_a_snapshot_is_reported_where_it_stands(edit: Edit, session: SmallSession) -> None:
    # Headers that occur more than once are told apart by a comment, so that their line can be found.
    text = session.read("snapshots.toml").replace("[snapshot.settings.opto]", "[snapshot.settings.opto] # first", 1)
    text = text.replace("[[snapshot]]", "[[snapshot]] # first", 1)
    session.write("snapshots.toml", text.replace("[snapshot.settings.tape]", "[snapshot.settings.tape] # reel"))
    at = {"[snapshot.settings.opto]": "settings.opto] # first", "[[snapshot]]": "[[snapshot]] # first"}
    edit = edit._replace(at=at.get(edit.at, edit.at))
    session.replace("snapshots.toml", edit.old, edit.new)
    report = check_job(session.folder)
    assert report.job is None
    assert any(matches(problem, session, "snapshots.toml", edit) for problem in report.problems), report.problems


def test_a_misspelt_control_is_one_problem_and_not_missing_as_well(session: SmallSession) -> None:
    session.replace("snapshots.toml", "reduction = 45", "reducton = 45")
    assert [problem.key for problem in check_job(session.folder).problems] == [f"{OPTO}.reducton"]


def test_a_misspelt_unit_is_one_problem_and_not_missing_as_well(session: SmallSession) -> None:
    session.replace("snapshots.toml", "[snapshot.settings.tape]", "[snapshot.settings.tap]")
    assert [problem.key for problem in check_job(session.folder).problems] == ["snapshot[reel-warm].settings.tap"]


def test_a_picture_that_is_not_there_is_a_caution(session: SmallSession) -> None:
    session.replace("snapshots.toml", "note = ", 'photo = "photos/solo-soft.jpg"\nnote = ')
    report = check_job(session.folder)
    assert report.job is not None
    (caution,) = report.problems
    assert caution.severity == "caution"
    assert caution.key == "snapshot[solo-soft].photo"
    assert caution.line == session.line_of("snapshots.toml", "photo")


def test_a_preset_stands_for_all_controls_of_its_unit(session: SmallSession) -> None:
    session.replace(
        "rig.toml",
        'recall = "preset"',
        'recall = "preset"\n[[unit.control]]\nid = "drive"\nkind = "knob"\nrange = [0, 10]',
    )
    assert check_job(session.folder).problems == ()


def test_a_snapshot_in_two_files_is_reported_in_the_job(session: SmallSession) -> None:
    session.write("more.toml", session.read("snapshots.toml"))
    session.replace("job.toml", '["snapshots.toml"]', '[\n  "snapshots.toml",\n  "more.toml",\n]')
    problems = check_job(session.folder).problems
    assert len(problems) == 3
    for problem in problems:
        assert problem.key == "snapshots[1]"
        assert problem.line == session.line_of("job.toml", "more.toml")
        assert "is in snapshots.toml and in more.toml" in problem.message
