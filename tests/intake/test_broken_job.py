"""What can be wrong with a job file, and what is said about it."""

# A table reads best with a row for each case.
# ruff: noqa: E501

from __future__ import annotations

import pytest

from printq.intake import check_job
from tests.intake.broken import Edit, edits, matches
from tests.intake.builders import SmallSession, write_broadcast_wave, write_wave

SOLO = '{ insert = "solo", snapshot = "solo-soft" }'
HERE = "stem[clarinet].through[0]"
SUM = '["clarinet", { stem = "harp", gain_db = -1.5, pan = 0 }]'
LEAD = "lead_s = 0.5"


def solo(more: str) -> str:
    return SOLO.replace(" }", f", {more} }}")


KEYS = {
    "unknown section": Edit("[options]", "[option]", "[option]", "option", "unknown key", "did you mean 'options'?"),
    "unknown key in a pass": Edit("send_db", "send_bd", "send_bd", "stem[harp].through[1].send_bd", "unknown key", "did you mean 'send_db'?"),
    "unknown key in a sum": Edit("gain_db", "gian_db", "gian_db", "stem[mix].sum_of[1].gian_db", "unknown key", "did you mean 'gain_db'?"),
    "unknown check": Edit("noise = {", "nois = {", "nois =", "limits.nois", "unknown key", "did you mean 'noise'?"),
    "sides": Edit(SOLO, solo('sides = "one-by-one"'), "sides", f"{HERE}.sides", "not available in this version", "take the key out"),
    "key": Edit(SOLO, solo('key = "harp"'), "key =", f"{HERE}.key", "not available in this version", "take the key out"),
    "parts": Edit(SOLO, solo("parts = []"), "parts", f"{HERE}.parts", "not available in this version", "take the key out"),
    "fingerprint": Edit(LEAD, "fingerprint = true", "fingerprint", "options.fingerprint", "not available in this version", "take the key out"),
    "missing rig": Edit('rig = "rig.toml"\n', "", "format", "rig", "missing", "Path of the rig file"),
    "missing snapshot": Edit(SOLO, '{ insert = "solo" }', '"solo" }', f"{HERE}.snapshot", "missing", "The snapshot to dial in"),
    "another version": Edit("printq-job/1", "printq-job/0", "job/0", "format", "'printq-job/0' is not possible", "'printq-job/1'"),
    "format of another file": Edit("printq-job/1", "printq-rig/1", "rig/1", "format", "'printq-rig/1' is not possible", "'printq-job/1'"),
    "snapshots in one text": Edit('["snapshots.toml"]', '"snapshots.toml"', "snapshots =", "snapshots", "'snapshots.toml' is not possible", "a list in [ ]"),
    "title that is no text": Edit('title = "Lighthouse waltz"', "title = 3", "title", "title", "3 is not possible", "a text in quotes"),
    "text for a number": Edit(LEAD, 'lead_s = "1.0"', "lead_s", "options.lead_s", "'1.0' is not possible", "a number without quotes"),
    "lead too short": Edit(LEAD, "lead_s = 0.1", "lead_s", "options.lead_s", "0.1 is out of range", "0.2 or more"),
    "no such word length": Edit(LEAD, "bit_depth = 20", "bit_depth", "options.bit_depth", "20 is not possible", "16, 24 or 32"),
    "no such alignment": Edit(LEAD, 'align = "samples"', "align", "options.align", "'samples' is not possible", "'sample' or 'subsample'"),
    "takes": Edit(LEAD, "takes = 0", "takes", "options.takes", "0 is out of range", "1 or more"),
    "blend of nothing": Edit(SOLO, solo("blend = 0"), "blend", f"{HERE}.blend", "0 is out of range", "more than 0"),
    "gain": Edit("send_db = -3.0", "send_db = 61", "61", "stem[harp].through[1].send_db", "61 is out of range", "60 or less"),
    "balance": Edit("pan = 0", "pan = -1.1", "-1.1", "stem[mix].sum_of[1].pan", "-1.1 is out of range", "-1 or more"),
    "limit without table": Edit("{ warn = -75, fail = -55 }", "-75", "noise", "limits.noise", "-75 is not possible", "a table or 'off'"),
    "bad id": Edit('"clarinet", {', '"Clarinet", {', "Clarinet", "stem[mix].sum_of[0]", "'Clarinet' is no id", "lower-case letters"),
    "number for a stem": Edit('"clarinet", {', "3, {", "3, {", "stem[mix].sum_of[0]", "3 is not possible", "a text in quotes or a table"),
    "sum without stem": Edit('stem = "harp", ', "", "gain_db", "stem[mix].sum_of[1].stem", "missing", "last print is summed"),
    "through that is no list": Edit(f"[{SOLO}]", SOLO, "solo-soft", "stem[clarinet].through", "a table is not possible", "[[stem.through]] with two brackets for each one, or a list"),
}  # fmt: skip

RULES = {
    "duplicate": Edit('id = "harp"', 'id = "clarinet" # again', "again", "stem[clarinet].id", "'clarinet' is used twice", "of its own"),
    "case": Edit('id = "harp"', 'id = "Clarinet"', "Clarinet", "stem[Clarinet].id", "differs from 'clarinet' in case only", "of its own"),
    "unknown insert": Edit(SOLO, SOLO.replace('"solo"', '"sole"'), "sole", f"{HERE}.insert", "there is no insert 'sole'", "did you mean 'solo'?"),
    "unknown snapshot": Edit(SOLO, SOLO.replace("soft", "sotf"), "sotf", f"{HERE}.snapshot", "there is no snapshot 'solo-sotf'", "did you mean 'solo-soft'?"),
    "snapshot nothing like it": Edit(SOLO, SOLO.replace("solo-soft", "x"), '"x"', f"{HERE}.snapshot", "there is no snapshot 'x'", "there is solo-soft, solo-firm"),
    "snapshot of another insert": Edit(SOLO, SOLO.replace("solo-soft", "reel-warm"), '"solo"', f"{HERE}.snapshot", "reel-warm belongs to insert reel", "for solo there is solo-soft, solo-firm"),
    "neither file nor sum": Edit("sum_of = [", "# [", "[[stem]] # mix", "stem[mix]", "neither a file nor a sum", "exactly one of file and sum_of"),
    "file and sum": Edit("sum_of = [", 'file = "dry/harp.wav"\nsum_of = [', '[[stem]] # mix', "stem[mix]", "both a file and a sum", "exactly one of file and sum_of"),
    "sum of an unknown stem": Edit('"clarinet", {', '"clarinett", {', "clarinett", "stem[mix].sum_of[0]", "there is no stem 'clarinett'", "did you mean 'clarinet'?"),
    "sum of a stem twice": Edit('stem = "harp", ', 'stem = "clarinet", ', "gain_db", "stem[mix].sum_of[1]", "clarinet is there twice", "once"),
    "sum of nothing": Edit(SUM, "[]", "[]", "stem[mix].sum_of", "the sum of nothing", "at least one stem"),
    "sum of itself": Edit(SUM, '["mix"]', '["mix"]', "stem[mix].sum_of", "in a circle: mix <- mix", "take one of them out"),
    "circle of two": Edit('file = "dry/harp.wav"', 'sum_of = ["mix"]', '["mix"]', "stem[harp].sum_of", "in a circle: harp <- mix <- harp", "take one of them out"),
    "circle through a bounce": Edit('file = "dry/harp.wav"', 'file = "dry/harp.wav"\nmade_from = ["mix"]', "made_from", "stem[harp].made_from", "harp <- mix <- harp", "take one"),
    "made from an unknown stem": Edit('file = "dry/harp.wav"', 'file = "dry/harp.wav"\nmade_from = ["clarinets"]', "made_from", "stem[harp].made_from[0]", "there is no stem 'clarinets'", "'clarinet'"),
    "sum that is made from": Edit("sum_of = [", 'made_from = ["harp"]\nsum_of = [', "made_from", "stem[mix].made_from", "only a file is bounced", "sum_of alone"),
    "warn above fail": Edit("warn = -75, fail = -55", "warn = -55, fail = -75", "noise", "limits.noise", "warns at -55 only after it has failed at -75", "the lower one"),
    "warn above fail in a pass": Edit(SOLO, solo("limits = { hum = { warn = 1, fail = 0.5 } }"), "hum", f"{HERE}.limits.hum", "warns at 1 only after it has failed at 0.5", "lower"),
    "missing stem file": Edit("dry/clarinet.wav", "dry/clarinette.wav", "clarinette", "stem[clarinet].file", "dry/clarinette.wav does not exist", "put the file there"),
    "backslashes": Edit('"dry/clarinet.wav"', r"'dry\clarinet.wav'", r"dry\c", "stem[clarinet].file", "does not exist", "write / between"),
    "folder for a stem": Edit("dry/clarinet.wav", "dry", '"dry"', "stem[clarinet].file", "dry is a folder, not an audio file", "name the file in it"),
    "empty path": Edit("dry/clarinet.wav", "", 'file = ""', "stem[clarinet].file", "no file is named", "the path of the dry file"),
    "outside": Edit("dry/clarinet.wav", "../clarinet.wav", "../", "stem[clarinet].file", "outside the session folder", "copy it below"),
    "text for a stem": Edit("dry/clarinet.wav", "rig.toml", 'file = "rig.toml"', "stem[clarinet].file", "cannot be read as audio", "export it again"),
    "endless name": Edit("dry/clarinet.wav", "x" * 300, "xxx", "stem[clarinet].file", "cannot be read", "look at"),
    "impossible name": Edit("dry/clarinet.wav", r"a\u0000b", "u0000", "stem[clarinet].file", "is no usable path", "a path relative to this file"),
}  # fmt: skip


@pytest.mark.parametrize("edit", edits({**KEYS, **RULES}))
def test_a_mistake_in_a_job_is_reported_where_it_stands(edit: Edit, session: SmallSession) -> None:
    session.replace("job.toml", '[[stem]]\nid = "mix"', '[[stem]] # mix\nid = "mix"')
    session.replace("job.toml", edit.old, edit.new)
    report = check_job(session.folder)
    assert report.job is None
    assert any(matches(problem, session, "job.toml", edit) for problem in report.problems), report.problems


@pytest.mark.parametrize("edit", edits(KEYS))
def test_nothing_is_reported_that_only_follows_from_a_wrong_value(edit: Edit, session: SmallSession) -> None:
    session.replace("job.toml", edit.old, edit.new)
    assert [problem.key for problem in check_job(session.folder).problems] == [edit.key]


def expect(session: SmallSession, at: str, key: str, says: str, hint: str) -> None:
    report = check_job(session.folder)
    edit = Edit("", "", at, key, says, hint)
    assert report.job is None
    assert any(matches(problem, session, "job.toml", edit) for problem in report.problems), report.problems


def test_an_absolute_path_is_refused_even_inside_the_session(session: SmallSession) -> None:
    session.replace("job.toml", "dry/clarinet.wav", (session.folder / "dry/clarinet.wav").resolve().as_posix())
    expect(session, "/clarinet.wav", "stem[clarinet].file", "is an absolute path", "so that the session can be moved")


def test_a_truncated_stem_is_found(session: SmallSession) -> None:
    """libsndfile reads it as a shorter file without a word."""
    path = session.folder / "dry/clarinet.wav"
    path.write_bytes(path.read_bytes()[:-5000])
    expect(session, "dry/clarinet.wav", "stem[clarinet].file", "5000 bytes of its audio are missing", "copy it again")


def test_a_stem_without_audio_is_refused(session: SmallSession) -> None:
    write_wave(session.folder / "dry/clarinet.wav", frames=0)
    expect(session, "dry/clarinet.wav", "stem[clarinet].file", "holds no audio at all", "export it again")


def test_nothing_is_resampled(session: SmallSession) -> None:
    write_wave(session.folder / "dry/harp.wav", 2, rate=44_100)
    expect(
        session, "dry/harp.wav", "stem[harp].file", "has 44100 Hz and the rig runs at 48000 Hz", "nothing is resampled"
    )


def test_more_than_two_channels_are_refused(session: SmallSession) -> None:
    write_wave(session.folder / "dry/harp.wav", 3)
    expect(session, "dry/harp.wav", "stem[harp].file", "dry/harp.wav has 3 channels", "as mono or stereo")


def test_a_stereo_stem_does_not_go_through_a_mono_insert(session: SmallSession) -> None:
    write_wave(session.folder / "dry/clarinet.wav", 2)
    expect(
        session,
        "solo-soft",
        "stem[clarinet].through[0].insert",
        "a stereo stem does not go through the mono",
        "split the stem",
    )


def test_a_stereo_print_does_not_go_on_through_a_mono_insert(session: SmallSession) -> None:
    session.replace("job.toml", SUM, '["clarinet", "harp"]')
    session.replace("job.toml", '[{ insert = "reel", snapshot = "reel-warm" }]', f"[{SOLO.replace('soft', 'firm')}]")
    expect(session, "solo-firm", "stem[mix].through[0].insert", "a stereo stem does not go", "two-channel insert")


def test_a_mono_stem_that_feeds_two_sides_is_a_caution(session: SmallSession) -> None:
    write_wave(session.folder / "dry/harp.wav", 1)
    report = check_job(session.folder)
    assert report.job is not None
    (caution,) = report.problems
    assert caution.severity == "caution"
    assert caution.key == "stem[harp].through[0].insert"
    assert "feeds both sides of reel" in caution.message


def test_time_references_in_some_files_of_a_sum_only_are_refused(session: SmallSession) -> None:
    write_broadcast_wave(session.folder / "dry/harp.wav", 48_000, 2)
    expect(session, "sum_of", "stem[mix].sum_of", "some files carry a time reference and clarinet does not", "or none")


def test_time_references_count_through_a_sum_of_sums(session: SmallSession) -> None:
    write_broadcast_wave(session.folder / "dry/harp.wav", 48_000, 2)
    session.replace("job.toml", SUM, '["harp"]')
    session.write(
        "job.toml",
        session.read("job.toml") + '\n[[stem]]\nid = "all"\nsum_of = ["mix", "clarinet"] # all\nthrough = []\n',
    )
    expect(session, "# all", "stem[all].sum_of", "clarinet does not", "or none")


def test_a_dry_file_that_has_the_name_of_a_print_is_refused(session: SmallSession) -> None:
    write_wave(session.folder / "dry/clarinet.solo.v12.wav", 2)
    session.replace("job.toml", "dry/harp.wav", "dry/../dry/Clarinet.solo.v12.wav".replace("C", "c"))
    expect(
        session, "v12", "stem[harp].file", "has the name of a print that clarinet/solo writes", "rename the dry file"
    )


@pytest.mark.parametrize("name", ["clarinet.solo.vocal.wav", "clarinet.solo.wav", "clarinet.solo.v1.flac.wav"])
def test_a_dry_file_that_only_looks_like_a_print_is_fine(name: str, session: SmallSession) -> None:
    write_wave(session.folder / "dry" / name, 2)
    session.replace("job.toml", "dry/harp.wav", f"dry/{name}")
    assert check_job(session.folder).problems == ()


def test_a_bounced_file_that_is_still_missing_is_no_mistake(session: SmallSession) -> None:
    session.replace("job.toml", "dry/harp.wav", 'mixes/waltz.wav"\nmade_from = ["clarinet"] # "')
    report = check_job(session.folder)
    assert report.problems == ()
    assert report.job is not None
    assert "harp" not in report.job.dry_files


def test_a_bounced_file_outside_the_session_is_a_mistake_even_while_it_is_missing(session: SmallSession) -> None:
    session.replace("job.toml", "dry/harp.wav", '../waltz.wav"\nmade_from = ["clarinet"] # "')
    expect(session, "../waltz", "stem[harp].file", "outside the session folder", "copy it below")


def test_a_job_without_passes_is_a_caution(session: SmallSession) -> None:
    session.write("job.toml", session.read("job.toml").split("[[stem]]")[0])
    (caution,) = check_job(session.folder).problems
    assert caution.severity == "caution"
    assert "nothing to print yet" in caution.message


def test_every_circle_is_reported(session: SmallSession) -> None:
    session.replace("job.toml", SUM, '["mix"] # first')
    session.write("job.toml", session.read("job.toml") + '\n[[stem]]\nid = "all"\nsum_of = ["all"] # second\n')
    keys = [problem.key for problem in check_job(session.folder).problems]
    assert keys == ["stem[mix].sum_of", "stem[all].sum_of"]


def test_a_very_long_chain_of_sums_is_followed_to_its_end(session: SmallSession) -> None:
    """Longer than Python's recursion limit of 1000."""
    through = 'through = [{ insert = "reel", snapshot = "reel-warm" }]'
    stems = [f'[[stem]]\nid = "s{n}"\nsum_of = ["s{n + 1}"]\n{through}\n' for n in range(1500)]
    text = session.read("job.toml") + "\n" + "\n".join(stems) + '\n[[stem]]\nid = "s1500"\nfile = "dry/harp.wav"\n'
    session.write("job.toml", text)
    report = check_job(session.folder)
    assert report.job is not None
    assert len(report.job.passes) == 1500 + 4
    (caution,) = report.problems
    assert "1504 passes in one job" in caution.message
