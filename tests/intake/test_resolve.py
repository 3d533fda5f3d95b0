"""From files to passes: names, sources, lengths, limits, layouts, order."""

from __future__ import annotations

import pytest

from printq.intake import load_job
from printq.models.limits import DEFAULT_LIMITS, Limit
from printq.models.passes import FileSource, Job, Pass, PrintSource, SumSource
from tests.intake.builders import RATE, STEMS, SmallSession, write_broadcast_wave, write_wave

SUM = '["clarinet", { stem = "harp", gain_db = -1.5, pan = 0 }]'
CLARINET, HARP = STEMS["clarinet"][1], STEMS["harp"][1]
SOLO_TAIL, REEL_TAIL = RATE // 4, RATE // 2
"""tail_s = 0.25 and 0.5 in the rig."""


def get(job: Job, name: str) -> Pass:
    found = job.find_pass(name)
    assert found is not None, name
    return found


def test_passes_are_named_by_stem_and_insert_and_numbered_from_the_second_time(session: SmallSession) -> None:
    job = load_job(session.folder)
    assert [each.id for each in job.passes] == ["clarinet/solo", "harp/reel", "harp/reel#2", "mix/reel"]
    assert [each.print_name for each in job.passes] == ["clarinet.solo", "harp.reel", "harp.reel.2", "mix.reel"]
    assert [each.place for each in job.passes] == [0, 0, 1, 0]


def test_prints_go_beside_the_dry_file_and_those_of_sums_into_prints(session: SmallSession) -> None:
    job = load_job(session.folder)
    assert [each.folder for each in job.passes] == ["dry", "dry", "dry", "prints"]


@pytest.mark.parametrize(
    ("path", "folder"),
    [("clarinet.wav", "."), ("./clarinet.wav", "."), ("a/b/clarinet.wav", "a/b"), ("a/../b/clarinet.wav", "b")],
)
def test_the_folder_of_a_print_is_the_folder_of_its_file(path: str, folder: str, session: SmallSession) -> None:
    (session.folder / "a").mkdir()
    write_wave(session.folder / path)
    session.replace("job.toml", "dry/clarinet.wav", path)
    assert get(load_job(session.folder), "clarinet/solo").folder == folder


def test_a_pass_plays_a_file_the_print_before_it_or_a_sum(session: SmallSession) -> None:
    job = load_job(session.folder)
    assert get(job, "harp/reel").source == FileSource(path="dry/harp.wav")
    assert get(job, "harp/reel#2").source == PrintSource(pass_id="harp/reel")
    source = get(job, "mix/reel").source
    assert isinstance(source, SumSource)
    assert [(part.stem, part.pass_id, part.gain_db, part.channels) for part in source.parts] == [
        ("clarinet", "clarinet/solo", 0.0, 1),
        ("harp", "harp/reel#2", -1.5, 2),
    ]


def test_a_pass_needs_the_prints_that_it_plays(session: SmallSession) -> None:
    job = load_job(session.folder)
    assert {each.id: each.needs for each in job.passes} == {
        "clarinet/solo": (),
        "harp/reel": (),
        "harp/reel#2": ("harp/reel",),
        "mix/reel": ("clarinet/solo", "harp/reel#2"),
    }


def test_tails_add_up_in_series_and_a_sum_is_as_long_as_its_longest(session: SmallSession) -> None:
    job = load_job(session.folder)
    frames = {each.id: (each.source_frames, each.print_frames) for each in job.passes}
    assert frames == {
        "clarinet/solo": (CLARINET, CLARINET + SOLO_TAIL),
        "harp/reel": (HARP, HARP + REEL_TAIL),
        "harp/reel#2": (HARP + REEL_TAIL, HARP + 2 * REEL_TAIL),
        "mix/reel": (HARP + 2 * REEL_TAIL, HARP + 3 * REEL_TAIL),
    }
    assert HARP + 2 * REEL_TAIL > CLARINET + SOLO_TAIL


def test_a_stem_without_passes_is_summed_dry(session: SmallSession) -> None:
    session.replace("job.toml", 'through = [{ insert = "solo", snapshot = "solo-soft" }]', "")
    job = load_job(session.folder)
    source = get(job, "mix/reel").source
    assert isinstance(source, SumSource)
    part = source.parts[0]
    assert (part.stem, part.pass_id, part.path, part.frames) == ("clarinet", None, "dry/clarinet.wav", CLARINET)
    assert get(job, "mix/reel").needs == ("harp/reel#2",)


def test_files_with_time_references_are_placed_by_them_and_the_sum_takes_the_earliest(session: SmallSession) -> None:
    start = 10 * 3600 * RATE
    write_broadcast_wave(session.folder / "dry/clarinet.wav", start + 90_000, 1, CLARINET)
    write_broadcast_wave(session.folder / "dry/harp.wav", start, 2, HARP)
    job = load_job(session.folder)
    mix = get(job, "mix/reel")
    assert isinstance(mix.source, SumSource)
    assert [part.offset_frames for part in mix.source.parts] == [90_000, 0]
    assert mix.time_reference == start
    # By hand: the clarinet starts 90 000 frames later and outlasts the harp.
    assert mix.source_frames == 90_000 + CLARINET + SOLO_TAIL


def test_a_time_reference_is_carried_from_pass_to_pass(session: SmallSession) -> None:
    write_broadcast_wave(session.folder / "dry/clarinet.wav", 7, 1)
    write_broadcast_wave(session.folder / "dry/harp.wav", 12_345_678_901, 2)
    job = load_job(session.folder)
    assert get(job, "harp/reel").time_reference == 12_345_678_901
    assert get(job, "harp/reel#2").time_reference == 12_345_678_901
    assert job.dry_files["harp"].time_reference == 12_345_678_901


def test_files_without_time_references_start_together(session: SmallSession) -> None:
    mix = get(load_job(session.folder), "mix/reel")
    assert isinstance(mix.source, SumSource)
    assert [part.offset_frames for part in mix.source.parts] == [0, 0]
    assert mix.time_reference is None


def test_a_sum_of_mono_prints_is_mono_unless_something_is_panned(session: SmallSession) -> None:
    session.replace("job.toml", SUM, '["clarinet"]')
    assert get(load_job(session.folder), "mix/reel").source_channels == 1
    session.replace("job.toml", '["clarinet"]', '[{ stem = "clarinet", pan = 0.5 }]')
    assert get(load_job(session.folder), "mix/reel").source_channels == 2


def test_the_nearest_limit_wins(session: SmallSession) -> None:
    """Pass before insert before job before default, for each check by itself."""
    session.replace("job.toml", "[limits]", '[limits]\nhum = { warn = -70 }\ndc = { warn = -50 }\nlevel = "off"')
    session.replace("rig.toml", "tail_s = 0.5", "limits = { hum = { warn = -71 }, dc = { warn = -51 } }")
    session.replace("job.toml", "send_db = -3.0", "limits = { hum = { warn = -72 } }")
    job = load_job(session.folder)
    assert get(job, "harp/reel#2").limits["hum"] == Limit(warn=-72.0, fail=-60.0)
    assert get(job, "harp/reel").limits["hum"] == Limit(warn=-71.0, fail=-60.0)
    assert get(job, "clarinet/solo").limits["hum"] == Limit(warn=-70.0, fail=-60.0)
    assert get(job, "harp/reel#2").limits["dc"] == Limit(warn=-51.0, fail=-40.0)
    assert get(job, "clarinet/solo").limits["level"] == "off"
    assert get(job, "clarinet/solo").limits["slip"] == DEFAULT_LIMITS["slip"]


def test_a_take_lasts_as_long_as_its_parts(session: SmallSession) -> None:
    """Lead, marker, gap, recover, settle, recover, material, tail, gap, recover, marker, rest; in seconds."""
    write_wave(session.folder / "dry/clarinet.wav", 1, 3 * RATE)
    session.replace("job.toml", "lead_s = 0.5", "lead_s = 0.5\ngap_s = 0.75\nsettle_s = 1.5")
    session.replace("rig.toml", "tail_s = 0.25", "tail_s = 0.25\nrecover_s = 2.0")
    total = get(load_job(session.folder), "clarinet/solo").layout.total
    seconds = 0.5 + 0.1 + 0.75 + 2.0 + 1.5 + 2.0 + 3.0 + 0.25 + 0.75 + 2.0 + 0.1 + 0.5
    assert total == round(seconds * RATE)


def test_passes_stand_in_the_order_of_the_job_but_after_what_they_need(session: SmallSession) -> None:
    head, *stems = session.read("job.toml").split("[[stem]]")
    clarinet, harp, mix = ("[[stem]]" + stem for stem in stems)
    session.write("job.toml", head + mix + "\n" + harp + clarinet)
    job = load_job(session.folder)
    assert [each.id for each in job.passes] == ["clarinet/solo", "harp/reel", "harp/reel#2", "mix/reel"]
    session.write("job.toml", head + harp + clarinet + mix)
    assert [each.stem for each in load_job(session.folder).passes] == ["harp", "harp", "clarinet", "mix"]
    assert load_job(session.folder) == load_job(session.folder)


def test_a_bounced_file_needs_the_last_prints_that_went_into_it(session: SmallSession) -> None:
    session.replace("job.toml", f"sum_of = {SUM}", 'file = "mixes/waltz.wav"\nmade_from = ["clarinet", "harp"]')
    job = load_job(session.folder)
    mix = get(job, "mix/reel")
    assert mix.source == FileSource(path="mixes/waltz.wav", made_from=("clarinet/solo", "harp/reel#2"))
    assert mix.needs == ("clarinet/solo", "harp/reel#2")
    assert (mix.source_frames, mix.folder) == (0, "mixes")
    write_wave(session.folder / "mixes/waltz.wav", 2, 9600)
    assert get(load_job(session.folder), "mix/reel").source_frames == 9600


def test_a_job_knows_its_folder_whatever_it_is_called_by(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_folder = load_job(session.folder)
    monkeypatch.chdir(session.folder)
    by_file = load_job(session.folder.relative_to(session.folder) / "job.toml")
    assert by_file == by_folder
    assert (by_folder.session, by_folder.job_file, by_folder.rig_file) == (
        session.folder.resolve(),
        "job.toml",
        "rig.toml",
    )
