"""Files that are no TOML, no text, no files; and everything that is wrong in all of them at once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from printq.errors import JobError
from printq.intake import check_job, load_job, load_rig
from tests.intake.broken import Edit, edits, matches
from tests.intake.builders import SmallSession

SYNTAX = {
    "no value": Edit("rate = 48000", "rate = ", "rate =", "", "not valid TOML: Invalid value", "texts stand in quotes"),
    "no quotes": Edit('id = "opto"', "id = opto", "= opto", "", "not valid TOML: Invalid value", "texts stand in"),
    "decimal comma": Edit("tail_s = 0.25", "tail_s = 0,25", "0,25", "", "not valid TOML", "correct the text"),
    "key twice": Edit("tail_s = 0.25", "tail_s = 1\ntail_s = 22", "= 22", "", "Cannot overwrite", "keep one of them"),
    "table twice": Edit(
        "[unit.model.controls]", "[interface] # again", "# again", "", "Cannot declare interface twice", "[[ ]]"
    ),
    "backslash": Edit('"Lamp-room rack"', r'"C:\sound"', "sound", "", "Unescaped '\\'", "write / in paths"),
    "open list": Edit("[7, 8]", "[7, 8", "full_scale", "", "Unclosed array", "correct the text"),
    "clock without quotes": Edit('["7:00", "5:00"]', '[7:00, "5:00"]', "7:00", "", "Unclosed array", "correct"),
}


@pytest.mark.parametrize("edit", edits(SYNTAX))
def test_text_that_is_no_toml_is_reported_at_its_line(edit: Edit, session: SmallSession) -> None:
    session.replace("rig.toml", edit.old, edit.new)
    report = check_job(session.folder)
    assert report.job is None
    assert any(matches(problem, session, "rig.toml", edit) for problem in report.problems), report.problems


@pytest.mark.parametrize("end", ["", "\n", "\n\n# end\n"])
def test_text_that_breaks_off_is_reported_at_its_last_line(end: str, session: SmallSession) -> None:
    text = session.read("rig.toml") + 'label = "open' + end
    session.write("rig.toml", text)
    (problem,) = check_job(session.folder).problems
    assert problem.line == text.splitlines().index('label = "open') + 1
    assert "not valid TOML" in problem.message


def test_text_in_another_encoding_is_reported_at_the_line_of_its_first_foreign_byte(session: SmallSession) -> None:
    line = session.line_of("snapshots.toml", "Backed off")
    path = session.folder / "snapshots.toml"
    path.write_bytes(path.read_bytes().replace(b"Backed off", "Zurück".encode("latin-1")))
    (problem,) = check_job(session.folder).problems
    assert (problem.line, problem.message, problem.hint) == (line, "the text is not UTF-8", "save the file as UTF-8")


@pytest.mark.parametrize("start", [b"\xef\xbb\xbf", b""], ids=["with a byte order mark", "without one"])
@pytest.mark.parametrize("newline", [b"\n", b"\r\n"], ids=["unix", "windows"])
def test_lines_are_the_same_whatever_editor_wrote_the_file(start: bytes, newline: bytes, session: SmallSession) -> None:
    session.replace("job.toml", "send_db", "send_bd")
    line = session.line_of("job.toml", "send_bd")
    path = session.folder / "job.toml"
    path.write_bytes(start + path.read_bytes().replace(b"\n", newline))
    assert [problem.line for problem in check_job(session.folder).problems] == [line]


def _make_folder(session: SmallSession, name: str) -> None:
    (session.folder / name).unlink()
    (session.folder / name).mkdir()


@pytest.mark.parametrize("name", ["rig.toml", "snapshots.toml", "job.toml"])
@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        pytest.param(lambda session, name: (session.folder / name).unlink(), "the file does not exist", id="missing"),
        pytest.param(_make_folder, "this is a folder, not a file", id="folder"),
        pytest.param(lambda session, name: session.write(name, "a = " + "[" * 20_000), "nested too deeply", id="deep"),
        pytest.param(lambda session, name: session.write(name, f"a = {'9' * 5000}"), "not valid TOML", id="number"),
    ],
)
def test_a_file_that_cannot_be_read_is_one_problem(
    spoil: Callable[[SmallSession, str], None], says: str, name: str, session: SmallSession
) -> None:
    spoil(session, name)
    (problem,) = check_job(session.folder).problems
    assert problem.file.endswith(name)
    assert problem.line == 1
    assert says in problem.message
    assert problem.hint


@pytest.mark.parametrize("name", ["x" * 300, r"a\u0000b", "", "no/such/folder.toml", "dry/clarinet.wav", "dry"])
def test_a_rig_may_have_any_name_and_is_reported(name: str, session: SmallSession) -> None:
    session.replace("job.toml", '"rig.toml"', f'"{name}"')
    problems = check_job(session.folder).problems
    assert len(problems) == 1
    assert problems[0].hint


def test_several_mistakes_in_each_of_three_files_are_reported_together(session: SmallSession) -> None:
    """In the order of reading, then by line; what they are is said at the line of each."""
    session.replace("rig.toml", "tail_s = 0.25", 'tail_s = "long"\nmarker_dbfs = 0')
    session.replace("rig.toml", "sends = [2, 3]", "sends = [2, 7]")
    session.replace("snapshots.toml", "low-hz = 60", "low-hz = 61")
    session.replace("snapshots.toml", "reduction = 60", "reducton = 60")
    session.replace("job.toml", "lead_s", "leads_s")
    session.replace("job.toml", "dry/harp.wav", "dry/harfe.wav")
    found = [(problem.file.rsplit("/")[-1], problem.line) for problem in check_job(session.folder).problems]
    assert found == [
        ("job.toml", session.line_of("job.toml", "leads_s")),
        ("job.toml", session.line_of("job.toml", "harfe")),
        ("rig.toml", session.line_of("rig.toml", "long")),
        ("rig.toml", session.line_of("rig.toml", "marker_dbfs")),
        ("rig.toml", session.line_of("rig.toml", "[2, 7]")),
        ("snapshots.toml", session.line_of("snapshots.toml", "low-hz = 61")),
        ("snapshots.toml", session.line_of("snapshots.toml", "reducton")),
    ]


def test_entries_keep_their_lines_when_several_before_them_are_broken(session: SmallSession) -> None:
    """Entries that are taken out move those behind them; what is found later must still point at the right ones."""
    entries = [
        '{ snapshot = "reel-warm" }, # 0: no insert',
        '{ insert = "reel", snapshot = "reel-warm" }, # 1: in order',
        '{ insert = "reel", snapshot = 3 }, # 2: no text',
        '{ insert = "real", snapshot = "reel-warm" }, # 3: unknown insert, found by a rule',
        '{ insert = "reel", snapshot = "reel-warm", blend = 2 }, # 4: out of range',
        '{ insert = "Reel", snapshot = "reel-warm" }, # 5: no id',
        '{ insert = "reel", snapshot = "reel-wram" }, # 6: unknown snapshot, found by a rule',
    ]
    text = session.read("job.toml")
    start = text.index('  { insert = "reel"')
    end = text.index("]\n", text.index("send_db"))
    session.write("job.toml", text[:start] + "".join(f"  {entry}\n" for entry in entries) + text[end:])
    problems = check_job(session.folder).problems
    assert [(problem.key, problem.line) for problem in problems] == [
        (f"stem[harp].through[{number}]{key}", session.line_of("job.toml", f"# {number}:"))
        for number, key in (
            (0, ".insert"),
            (2, ".snapshot"),
            (3, ".insert"),
            (4, ".blend"),
            (5, ".insert"),
            (6, ".snapshot"),
        )
    ]


def test_items_keep_their_lines_when_several_before_them_are_broken(session: SmallSession) -> None:
    session.replace("rig.toml", "[7, 8]", '[\n  "seven", # a\n  7,\n  true, # b\n  18, # c\n  8,\n  19, # d\n]')
    problems = check_job(session.folder).problems
    assert [(problem.key, problem.line) for problem in problems] == [
        (f"interface.reserved_sends[{index}]", session.line_of("rig.toml", f"# {mark}"))
        for index, mark in ((0, "a"), (2, "b"), (3, "c"), (5, "d"))
    ]


def test_controls_keep_their_lines_when_units_and_controls_before_them_are_broken(session: SmallSession) -> None:
    session.replace("rig.toml", 'id = "opto"\n', "")
    session.replace("rig.toml", 'kind = "knob"\nrange = ["7:00", "5:00"]', 'kind = "nob"')
    session.replace("rig.toml", "[30, 60, 100]", "[30, 60, 60]")
    keys = {problem.key: problem.line for problem in check_job(session.folder).problems}
    assert keys["unit[0].id"] == session.read("rig.toml").splitlines().index("[[unit]]") + 1
    assert keys["unit[valve-eq].control[width].kind"] == session.line_of("rig.toml", '"nob"')
    assert keys["unit[valve-eq].control[low-hz].positions"] == session.line_of("rig.toml", "60, 60")


def test_what_refers_to_a_broken_entry_is_not_reported(session: SmallSession) -> None:
    session.replace("rig.toml", 'kind = "stepped"', 'kind = "steped"')  # a control that the snapshots set
    session.replace("rig.toml", "sends = [1]", 'sends = "one"')  # an insert that a stem goes through
    session.replace("rig.toml", 'mode = "stereo"', "mode = 3")  # what the number of channels depends on
    session.replace("snapshots.toml", 'insert = "reel"', "insert = 3")  # a snapshot that two stems ask for
    keys = [problem.key for problem in check_job(session.folder).problems]
    assert keys == [
        "unit[valve-eq].control[low-hz].kind",
        "insert[solo].sends",
        "insert[reel].mode",
        "snapshot[reel-warm].insert",
    ]


def test_text_that_would_move_the_cursor_is_shown_and_not_sent_to_the_terminal(session: SmallSession) -> None:
    session.replace("job.toml", '"dry/clarinet.wav"', r'"dry/\u001b[2J\nrig.wav"')
    (problem,) = check_job(session.folder).problems
    assert problem.line_of_text().isprintable()
    assert r"dry/\x1b[2J\nrig.wav does not exist" in problem.message


def test_load_job_raises_every_problem_and_no_caution(session: SmallSession) -> None:
    session.replace("snapshots.toml", "note = ", 'photo = "none.jpg"\nnote = ')
    session.replace("rig.toml", "[2, 3]\nreturns", "[2, 7]\nreturns")
    session.replace("job.toml", "send_db", "send_bd")
    with pytest.raises(JobError) as caught:
        load_job(session.folder / "job.toml")
    assert [problem.key for problem in caught.value.problems] == [
        "stem[harp].through[1].send_bd",
        "insert[reel].sends[1]",
    ]
    assert len(str(caught.value).splitlines()) == 2


def test_a_rig_by_itself_is_checked_in_the_same_way(session: SmallSession) -> None:
    assert load_rig(session.folder / "rig.toml").name == "Lamp-room rack"
    session.replace("rig.toml", "[2, 3]\nreturns", "[2, 7]\nreturns")
    with pytest.raises(
        JobError, match=r"rig\.toml:\d+: insert\[reel\]\.sends\[1\]: send 7 is reserved for monitors; use"
    ):
        load_rig(session.folder / "rig.toml")
