"""A run does what is left to do, and nothing else."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from printq.errors import ExitStatus, FileError, SessionBusyError, StorageError, UsageError
from printq.models.plan import Move
from printq.models.take import Confirmation
from printq.spool import outcomes as outcomes_module
from printq.spool import space
from printq.spool.driver import Driver
from printq.spool.journal import Journal
from printq.spool.lock import hold_session
from printq.spool.operator import Answer, Question, Reply, SetUp, Wish
from printq.spool.paths import SessionPaths
from printq.spool.session import accept_take, list_standings, plan_session, request_reprint
from tests.sessions import Recording, SmallSession, make_music, read_audio, write_wav

ALL_PRINTS = [
    "dry/clarinet.tone.v1.wav",
    "dry/harp.bus.v1.wav",
    "dry/viola.tone.v1.wav",
    "dry/viola.wire.v1.wav",
    "prints/mix.bus.v1.wav",
]


def states(session: SmallSession) -> dict[str, str]:
    return {standing.pass_id: standing.state for standing in list_standings(session.load())}


def reasons(session: SmallSession) -> dict[str, str]:
    return {standing.pass_id: standing.reason for standing in list_standings(session.load())}


def test_a_run_prints_every_pass_beside_its_dry_stem(session: SmallSession) -> None:
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert session.prints() == ALL_PRINTS
    assert set(states(session).values()) == {"printed"}


def test_a_run_leaves_dry_files_and_people_s_files_untouched(session: SmallSession) -> None:
    before = session.files()
    session.run()
    after = session.files()
    assert {name: after[name] for name in before} == before


def test_every_print_has_a_sidecar_that_says_what_was_done(session: SmallSession) -> None:
    session.run()
    sidecar = json.loads((session.folder / "dry/clarinet.tone.v1.json").read_text())
    assert sidecar["format"] == "printq-sidecar/1"
    assert sidecar["simulated"] is True
    assert sidecar["units"][0]["settings"] == {"low": 3.0}
    assert sidecar["units"][0]["fixed"] == {"range": "wide"}
    assert sidecar["confirmed"]["by"] == "--yes"
    assert sidecar["timing"]["delay_samples"] == pytest.approx(187.0, abs=0.3)  # the equaliser moves it a little
    assert {check["check"] for check in sidecar["checks"]} >= {"send", "length", "slip", "noise", "polarity"}


def test_a_second_run_does_nothing(session: SmallSession) -> None:
    session.run()
    before = session.files()
    report = session.run()
    assert report.delivered == []
    assert report.rolled_s == 0.0
    assert session.files() == before


def test_a_deleted_print_comes_back_under_its_name_without_a_pass(session: SmallSession) -> None:
    session.run()
    print_file = session.folder / "dry/viola.tone.v1.wav"
    before = print_file.read_bytes()
    written_at = print_file.stat().st_mtime_ns
    print_file.unlink()
    assert states(session)["viola/tone"] == "taken"
    report = session.run()
    assert report.delivered == ["dry/viola.tone.v1.wav"]
    assert report.rolled_s == 0.0
    assert print_file.read_bytes() == before
    assert print_file.stat().st_mtime_ns == written_at  # so nothing that was bounced from it seems older


def test_a_deleted_sidecar_comes_back_without_a_pass(session: SmallSession) -> None:
    session.run()
    (session.folder / "dry/viola.tone.v1.json").unlink()
    report = session.run()
    assert report.rolled_s == 0.0
    assert (session.folder / "dry/viola.tone.v1.json").exists()
    assert session.prints() == ALL_PRINTS


def test_a_print_whose_take_is_gone_too_is_printed_again(session: SmallSession) -> None:
    session.run()
    (session.folder / "dry/clarinet.tone.v1.wav").unlink()
    (session.folder / ".printq/takes/clarinet.tone.take1.wav").unlink()
    assert states(session)["clarinet/tone"] == "queued"
    report = session.run()
    assert "dry/clarinet.tone.v2.wav" in report.delivered
    assert report.rolled_s > 0.0


def test_a_print_that_somebody_changed_is_kept_and_the_next_version_delivered(session: SmallSession) -> None:
    session.run()
    changed = session.folder / "dry/clarinet.tone.v1.wav"
    write_wav(changed, make_music(0.5, seed=9))
    theirs = changed.read_bytes()
    assert "changed after it was delivered" in reasons(session)["clarinet/tone"]
    session.run()
    assert changed.read_bytes() == theirs
    assert (session.folder / "dry/clarinet.tone.v2.wav").exists()


def test_takes_of_a_journal_that_was_moved_aside_are_not_overwritten(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.run()
    take = session.folder / ".printq/takes/clarinet.tone.take1.wav"
    before = take.read_bytes()
    for path in (session.folder / ".printq").glob("journal.sqlite*"):
        path.rename(path.with_name(f"old-{path.name}"))
    session.insert("tone")["tail_s"] = 0.2
    report = session.write().run()
    assert report.delivered == ["dry/clarinet.tone.v2.wav"]
    assert take.read_bytes() == before
    assert (session.folder / ".printq/takes/clarinet.tone.take2.wav").exists()


def test_only_prints_one_stem_and_says_what_waits(session: SmallSession) -> None:
    report = session.run(only=["viola"])
    assert session.prints() == ["dry/viola.tone.v1.wav", "dry/viola.wire.v1.wav"]
    assert report.exit_status is ExitStatus.DONE


def test_only_a_sum_waits_for_what_it_is_made_from(session: SmallSession) -> None:
    report = session.run(only=["mix"])
    assert session.prints() == []
    assert report.exit_status is ExitStatus.STOPPED
    assert "clarinet/tone" in report.waiting[0]


def test_nobody_has_to_dial_what_cannot_be_printed_without_the_stems_left_out(session: SmallSession) -> None:
    session.rig["unit"][2]["control"] = [{"id": "pad", "kind": "switch", "positions": ["in", "out"]}]
    session.snapshots["snapshot"][3]["settings"] = {"pair": {"pad": "out"}}
    session.write()
    report = plan_session(session.load(), only=frozenset({"mix"}))
    assert report.plan.entries == ()
    person = Person([])
    assert session.run(operator=person, only=["mix"]).exit_status is ExitStatus.STOPPED
    assert person.asked == []
    reason = {standing.pass_id: standing.reason for standing in report.standings}
    assert reason["mix/bus"] == "waits for clarinet/tone, which is queued"
    session.run(only=["clarinet", "viola", "harp"])
    assert [entry.pass_id for entry in plan_session(session.load(), only=frozenset({"mix"})).plan.entries] == [
        "mix/bus"
    ]


def test_the_second_pass_of_a_stem_plays_the_print_of_the_first(session: SmallSession) -> None:
    session.run()
    first = read_audio(session.folder / "dry/viola.tone.v1.wav")
    second = read_audio(session.folder / "dry/viola.wire.v1.wav")
    assert len(second) == len(first) + round(0.1 * 48_000)  # tails add up
    assert np.array_equal(second[: len(first)], first)  # its insert is a wire


def test_a_sum_is_the_float_sum_of_the_last_prints(session: SmallSession) -> None:
    session.run()
    parts = {
        "dry/clarinet.tone.v1.wav": 0.0,
        "dry/viola.wire.v1.wav": -3.0,
        "dry/harp.bus.v1.wav": -3.0,
    }
    mix = read_audio(session.folder / "prints/mix.bus.v1.wav")
    expected = np.zeros_like(mix)
    for name, gain_db in parts.items():
        samples = read_audio(session.folder / name)
        expected[: len(samples)] += 10 ** (gain_db / 20) * samples
    expected *= 10 ** (-6.0 / 20)
    # The simulated converter rounds to 24 bits on the way out: half an LSB, and float32 blocks another part.
    assert np.abs(mix - expected).max() < 1.0 / 2**23


def test_a_change_of_one_snapshot_prints_the_next_version_and_what_depends_on_it(session: SmallSession) -> None:
    session.run()
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 4.5
    session.write()
    assert states(session) == {
        "clarinet/tone": "stale",
        "viola/tone": "printed",
        "viola/wire": "printed",
        "harp/bus": "printed",
        "mix/bus": "stale",
    }
    assert reasons(session)["clarinet/tone"] == "eq low 3 -> 4.5"
    report = session.run()
    assert sorted(report.delivered) == ["dry/clarinet.tone.v2.wav", "prints/mix.bus.v2.wav"]
    assert set(ALL_PRINTS) < set(session.prints())  # earlier prints stay


def test_a_reprint_keeps_its_note_and_the_earlier_print(session: SmallSession) -> None:
    session.run()
    assert request_reprint(session.load(), "harp", "client: the pedal squeaks") == ["harp/bus"]
    assert states(session)["harp/bus"] == "stale"
    assert "client: the pedal squeaks" in reasons(session)["harp/bus"]
    report = session.run()
    assert "dry/harp.bus.v2.wav" in report.delivered
    sidecar = json.loads((session.folder / "dry/harp.bus.v2.json").read_text())
    assert sidecar["reprint_notes"] == ["client: the pedal squeaks"]
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        assert any(kind == "reprint" and "squeaks" in text for _, kind, _, text in journal.story())
    # Its wire returned the very same audio, so the mix needs no second pass.
    assert states(session) == dict.fromkeys(states(session), "printed")
    assert "prints/mix.bus.v2.wav" not in session.prints()


def test_a_reprint_of_what_does_not_exist_is_a_usage_error(session: SmallSession) -> None:
    with pytest.raises(UsageError, match="no pass or stem 'oboe'"):
        request_reprint(session.load(), "oboe", "…")


def test_a_slip_is_taken_again_and_the_second_take_delivered(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"kind": "slip", "pass": "clarinet/tone", "take": 1, "at_s": 0.9, "amount": 3}]
    listener = Recording()
    report = session.write().run(listener=listener)
    assert report.exit_status is ExitStatus.DONE
    assert listener.kinds("clarinet/tone") == ["set-up", "rolling", "again", "rolling", "printed"]
    sidecar = json.loads((session.folder / "dry/clarinet.tone.v1.json").read_text())
    assert sidecar["take"] == 2


def test_a_slip_that_repeats_is_held_after_the_retries(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.job["options"]["retries"] = 1
    session.simulation["fault"] = [{"kind": "repeat", "pass": "clarinet/tone", "at_s": 0.9, "amount": 64}]
    report = session.write().run()
    assert report.exit_status is ExitStatus.HELD
    assert states(session) == {"clarinet/tone": "held"}
    assert len(list((session.folder / ".printq/takes").glob("*.wav"))) == 2  # every take is kept
    assert session.prints() == []


def test_a_glitch_fails_the_take_and_it_is_taken_again(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"kind": "glitch", "pass": "clarinet/tone", "take": 1, "at_s": 1.0}]
    listener = Recording()
    report = session.write().run(listener=listener)
    assert listener.kinds("clarinet/tone") == ["set-up", "rolling", "again", "rolling", "printed"]
    assert report.exit_status is ExitStatus.DONE


def test_a_driver_that_glitches_without_end_is_held_after_the_retries(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.job["options"]["glitch_retries"] = 2
    session.simulation["fault"] = [{"kind": "glitch", "pass": "clarinet/tone", "at_s": 1.0}]
    listener = Recording()
    report = session.write().run(listener=listener)
    assert report.exit_status is ExitStatus.HELD
    assert listener.kinds("clarinet/tone").count("rolling") == 3
    assert session.prints() == []


@pytest.mark.parametrize(
    ("fault", "check"),
    [
        pytest.param({"kind": "dead"}, "silent", id="dead"),
        pytest.param({"kind": "inverted"}, "polarity", id="inverted"),
        pytest.param({"kind": "noise", "amount": -50.0}, "noise", id="noise"),
        pytest.param({"kind": "hum", "amount": -50.0}, "hum", id="hum"),
        pytest.param({"kind": "dc", "amount": -30.0}, "dc", id="dc"),
        pytest.param({"kind": "clip"}, "clip", id="clip"),
    ],
)
def test_what_cannot_be_luck_is_held_at_once_with_the_right_check_named(
    session: SmallSession, fault: dict[str, object], check: str
) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"pass": "clarinet/tone", "at_s": 0.0, **fault}]
    report = session.write().run()
    assert report.exit_status is ExitStatus.HELD
    assert session.prints() == []
    standing = report.standings[0]
    failed = [c.check for c in standing.checks if c.verdict == "fail" and c.because_of is None]
    assert failed == [check]
    assert standing.takes == 1  # not taken again: it is no luck
    found = next(c for c in standing.checks if c.check == check)
    assert found.cause
    assert found.remedy


def test_a_held_pass_is_skipped_and_so_is_what_needs_it(session: SmallSession) -> None:
    session.simulation["fault"] = [{"kind": "inverted", "pass": "viola/tone"}]
    report = session.write().run()
    assert report.exit_status is ExitStatus.HELD
    assert states(session) == {
        "clarinet/tone": "printed",
        "viola/tone": "held",
        "viola/wire": "queued",
        "harp/bus": "printed",
        "mix/bus": "queued",
    }
    again = session.run()
    assert again.delivered == []
    assert again.rolled_s == 0.0


def test_accept_delivers_a_held_take_on_the_record_and_what_needs_it_goes_on(session: SmallSession) -> None:
    session.simulation["fault"] = [{"kind": "inverted", "pass": "viola/tone"}]
    session.write().run()
    target = accept_take(session.load(), "viola/tone", "the microphone was wired that way")
    assert target == "dry/viola.tone.v1.wav"
    sidecar = json.loads((session.folder / "dry/viola.tone.v1.json").read_text())
    assert sidecar["accepted"]["why"] == "the microphone was wired that way"
    assert next(c for c in sidecar["checks"] if c["check"] == "polarity")["verdict"] == "fail"
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert set(states(session).values()) == {"printed"}


def test_accept_refuses_what_is_not_held(session: SmallSession) -> None:
    session.run()
    with pytest.raises(UsageError, match="printed, not held"):
        accept_take(session.load(), "harp/bus", "because")
    with pytest.raises(UsageError, match="no pass 'oboe/tone'"):
        accept_take(session.load(), "oboe/tone", "because")


def test_an_edit_takes_a_held_pass_back_into_the_queue(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"kind": "noise", "pass": "clarinet/tone", "amount": -50.0}]
    session.write().run()
    assert states(session) == {"clarinet/tone": "held"}
    session.job["limits"] = {"noise": {"fail": -45.0}}
    session.write()
    assert states(session) == {"clarinet/tone": "queued"}
    assert session.run().exit_status is ExitStatus.DONE


def test_a_stem_that_would_be_clipped_on_its_way_out_is_held_without_being_played(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.stem("clarinet")["through"][0]["send_db"] = 12.0
    report = session.write().run()
    assert report.exit_status is ExitStatus.HELD
    assert report.rolled_s == 0.0
    assert states(session) == {"clarinet/tone": "held"}
    assert "over full scale" in reasons(session)["clarinet/tone"]
    session.stem("clarinet")["through"][0]["send_db"] = -3.0
    assert session.write().run().exit_status is ExitStatus.DONE


def test_a_fault_rehearsed_for_another_pass_leaves_a_held_one_alone(session: SmallSession) -> None:
    session.simulation["fault"] = [{"kind": "inverted", "pass": "harp/bus"}]
    session.write().run()
    session.simulation["fault"].append({"kind": "noise", "pass": "viola/tone"})
    session.write()
    assert states(session)["harp/bus"] == "held"


@pytest.mark.parametrize(
    "remedy",
    [
        pytest.param(lambda s: s.rig["unit"][0].update(max_in_dbu=20.0), id="max_in_dbu corrected"),
        pytest.param(lambda s: s.stem("clarinet")["through"][0].update(send_db=-12.0), id="send_db lowered"),
    ],
)
def test_doing_what_a_remedy_says_gives_a_held_pass_another_chance(session: SmallSession, remedy: Any) -> None:
    session.keep_stems("clarinet")
    session.rig["interface"]["full_scale_send_dbu"] = 22.0
    session.rig["unit"][0]["max_in_dbu"] = 6.0
    assert session.write().run().exit_status is ExitStatus.HELD
    assert "hotter than the unit takes" in reasons(session)["clarinet/tone"]
    remedy(session)
    assert session.write().run().exit_status is ExitStatus.DONE


def test_a_silent_return_suspends_its_insert_while_the_others_go_on(session: SmallSession) -> None:
    session.simulation["fault"] = [{"kind": "dead", "pass": "viola/tone"}]  # planned first: its chain is longer
    report = session.write().run()
    assert states(session)["viola/tone"] == "held"
    assert states(session)["clarinet/tone"] == "queued"  # the same insert
    assert states(session)["harp/bus"] == "printed"
    assert any("left alone" in text for text in report.waiting)


class Person:
    """Answers set-ups as told, and remembers what was asked."""

    def __init__(self, answers: list[Answer]) -> None:
        self.answers = answers
        self.asked: list[SetUp] = []

    def ask(self, question: Question) -> None:
        self.open: Question | None = question
        if isinstance(question, SetUp):
            self.asked.append(question)

    def answer(self) -> Reply | None:
        question, self.open = self.open, None
        answer = Answer.SKIP
        if isinstance(question, SetUp):
            answer = self.answers.pop(0) if self.answers else Answer.DONE
        return Reply(answer, Confirmation(by="operator", at="2026-01-01T00:00:00+00:00"))

    def withdraw(self) -> None:
        self.open = None

    def wishes(self) -> list[Wish]:
        return []

    def wait(self, seconds: float) -> None:
        pass


def test_a_set_up_shows_only_what_has_to_move(session: SmallSession) -> None:
    person = Person([])
    session.run(operator=person)
    moves = {wanted.pass_id: wanted.moves for wanted in person.asked}
    assert set(moves) == {"clarinet/tone", "viola/tone"}  # wires have nothing to dial
    first, second = (wanted.pass_id for wanted in person.asked)
    positions = {"clarinet/tone": 3.0, "viola/tone": -3.0}
    assert moves[first] == (Move(unit="eq", control="low", from_=None, to=positions[first], seconds=6.0),)
    assert moves[second] == (Move(unit="eq", control="low", from_=positions[first], to=positions[second], seconds=6.0),)


@pytest.mark.parametrize(
    ("hands_during_passes", "expected"),
    [
        pytest.param(True, ["set-up", "rolling", "set-up", "rolling"], id="each rolls as soon as it is dialled"),
        pytest.param(False, ["set-up", "set-up", "rolling", "rolling"], id="all is dialled before anything rolls"),
    ],
)
def test_hands_move_during_passes_only_where_they_may(
    session: SmallSession, hands_during_passes: bool, expected: list[str]
) -> None:
    session.rig["unit"][1]["control"] = [{"id": "pad", "kind": "switch", "positions": ["in", "out"]}]
    session.snapshots["snapshot"][2]["settings"] = {"cable": {"pad": "out"}}
    session.stem("viola")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.job["options"]["hands_during_passes"] = hands_during_passes
    session.keep_stems("clarinet", "viola")
    listener = Recording()
    assert session.run(listener=listener).exit_status is ExitStatus.DONE
    assert [kind for kind, _, _ in listener.told if kind != "printed"] == expected


@pytest.mark.parametrize("channel", ["sends", "returns"])
def test_two_inserts_on_one_channel_never_roll_at_once(session: SmallSession, channel: str) -> None:
    session.insert("wire")[channel] = session.insert("tone")[channel]
    session.stem("viola")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet", "viola")
    planned = plan_session(session.load()).plan.entries
    assert planned[1].start_s >= planned[0].end_s
    listener = Recording()
    assert session.run(listener=listener).exit_status is ExitStatus.DONE
    # Nothing of the one's music in the other's print: a wire returns its own stem alone.
    sent = read_audio(session.folder / "dry/viola.wav")
    printed = read_audio(session.folder / "dry/viola.wire.v1.wav")
    assert np.array_equal(printed[: len(sent)], sent)


def test_skip_leaves_one_pass_out_and_stop_ends_the_run_with_finished_work_kept(session: SmallSession) -> None:
    report = session.run(operator=Person([Answer.SKIP]))
    assert report.exit_status is ExitStatus.STOPPED
    assert "dry/harp.bus.v1.wav" in report.delivered
    report = session.run(operator=Person([Answer.STOP]))
    assert report.exit_status is ExitStatus.STOPPED
    assert report.stopped == "stopped at a set-up"
    assert session.run().exit_status is ExitStatus.DONE
    assert set(states(session).values()) == {"printed"}


def test_an_untouched_rack_is_trusted_only_on_the_operator_s_word(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.run()
    request_reprint(session.load(), "clarinet", "once more")
    person = Person([])
    session.run(operator=person, rack_untouched=True)
    assert person.asked == []
    request_reprint(session.load(), "clarinet", "and once more")
    session.run(operator=person)
    assert len(person.asked) == 1


def test_a_stop_request_fades_out_and_the_next_run_goes_on(session: SmallSession) -> None:
    listener = Recording()

    def stop_when_something_rolls(driver: Driver) -> None:
        tell = listener.tell

        def and_stop(kind: str, pass_id: str | None, text: str) -> None:
            tell(kind, pass_id, text)
            if kind == "rolling":
                driver.request_stop("stopped by the test")

        listener.tell = and_stop  # type: ignore[method-assign]

    report = session.run(listener=listener, on_driver=stop_when_something_rolls)
    assert report.exit_status is ExitStatus.STOPPED
    assert session.prints() == []
    assert "rolling" not in states(session).values()
    assert session.run().exit_status is ExitStatus.DONE


def test_a_second_run_on_the_same_session_is_refused(session: SmallSession) -> None:
    with hold_session(SessionPaths(session.folder)), pytest.raises(SessionBusyError, match="another printq"):
        session.run()


def test_status_shows_what_is_in_the_air_while_a_run_goes_on_and_only_then(session: SmallSession) -> None:
    seen: list[str] = []
    listener = Recording()
    tell = listener.tell

    def look(kind: str, pass_id: str | None, text: str) -> None:
        tell(kind, pass_id, text)
        if kind == "rolling" and pass_id == "harp/bus":
            seen.append(states(session)["harp/bus"])

    listener.tell = look  # type: ignore[method-assign]
    session.run(listener=listener)
    assert seen == ["rolling"]
    assert "rolling" not in states(session).values()


def test_what_would_not_fit_is_refused_before_anything_is_recorded(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(space, "free_bytes", lambda folder: 1000)
    with pytest.raises(StorageError, match="free"):
        session.run()
    assert session.prints() == []
    assert list((session.folder / ".printq/takes").iterdir()) == []


def test_a_delivery_that_cannot_be_written_leaves_the_take_and_the_next_run_delivers_it(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    session.keep_stems("clarinet")

    def full(*args: object, **kwargs: object) -> str:
        raise StorageError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(outcomes_module, "deliver_take", full)
        report = session.run()
    assert report.exit_status is ExitStatus.STORAGE
    assert states(session) == {"clarinet/tone": "taken"}
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert report.rolled_s == 0.0  # from the kept take
    assert session.prints() == ["dry/clarinet.tone.v1.wav"]


def test_a_bounced_file_waits_until_it_is_newer_than_the_prints_it_was_made_from(session: SmallSession) -> None:
    session.job["stem"].append(
        {
            "id": "final",
            "file": "mixes/final.wav",
            "made_from": ["clarinet", "harp"],
            "through": [{"insert": "bus", "snapshot": "glue"}],
        }
    )
    report = session.write().run()
    assert report.exit_status is ExitStatus.STOPPED
    assert "bounce again: mixes/final.wav is not there yet" in reasons(session)["final/bus"]
    write_wav(session.folder / "mixes/final.wav", make_music(0.8, 2, seed=8))
    assert session.run().exit_status is ExitStatus.DONE
    assert (session.folder / "mixes/final.bus.v1.wav").exists()
    request_reprint(session.load(), "clarinet", "less bite")
    session.run()
    assert "bounce again: mixes/final.wav is older than clarinet.tone.v2.wav" in reasons(session)["final/bus"]


def test_prints_do_not_depend_on_workers_or_on_what_runs_beside_them(
    session: SmallSession, tmp_path_factory: pytest.TempPathFactory
) -> None:
    session.simulation.update({"noise_dbfs": -90.0, "latency_samples": 187.37})
    session.write().run()
    other = SmallSession(tmp_path_factory.mktemp("other"))
    other.simulation.update({"noise_dbfs": -90.0, "latency_samples": 187.37})
    other.job["options"]["hands_during_passes"] = False
    other.rig["interface"]["block"] = 480
    for stem in ("viola", "clarinet", "harp", "mix"):
        other.write().run(only=[stem])
    for name in ALL_PRINTS:
        ours, theirs = read_audio(session.folder / name), read_audio(other.folder / name)
        assert np.array_equal(ours, theirs), name


def test_a_dry_file_that_changes_while_it_plays_is_taken_again_as_it_is_now(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    listener = Recording()
    tell = listener.tell
    other = make_music(1.0, seed=55)

    def change_once(kind: str, pass_id: str | None, text: str) -> None:
        tell(kind, pass_id, text)
        if kind == "rolling" and len(listener.kinds("clarinet/tone")) == 2:
            write_wav(session.folder / "dry/clarinet.wav", other)

    listener.tell = change_once  # type: ignore[method-assign]
    report = session.run(listener=listener)
    assert report.exit_status is ExitStatus.DONE
    assert "again" in listener.kinds("clarinet/tone")
    assert set(states(session).values()) == {"printed"}
    sidecar = json.loads((session.folder / "dry/clarinet.tone.v1.json").read_text())
    assert sidecar["source"]["level"]["sample_peak_dbfs"] == pytest.approx(20 * np.log10(np.abs(other).max()), abs=1e-6)


def test_a_dry_file_edited_while_the_queue_waits_is_printed_as_what_it_is(session: SmallSession) -> None:
    """Between the look at the session and the turn of a pass hours may go by."""
    before = (session.folder / "dry/clarinet.wav").read_bytes()

    def edit(driver: Driver) -> None:
        write_wav(session.folder / "dry/clarinet.wav", make_music(1.0, seed=56))

    session.keep_stems("clarinet")
    session.run(on_driver=edit)
    assert states(session) == {"clarinet/tone": "printed"}
    (session.folder / "dry/clarinet.wav").write_bytes(before)
    assert states(session) == {"clarinet/tone": "stale"}


def test_an_old_take_is_not_accepted_for_what_the_files_ask_now(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"kind": "inverted", "pass": "clarinet/tone"}]
    session.write().run()
    session.stem("clarinet")["through"][0]["return_db"] = -6.0
    session.write()
    with pytest.raises(FileError, match="return_db 0 -> -6"):
        accept_take(session.load(), "clarinet/tone", "…", take=1)
    assert session.prints() == []


def test_an_accepted_take_stands_although_later_ones_were_held(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.job["options"]["retries"] = 1
    session.simulation["fault"] = [{"kind": "repeat", "pass": "clarinet/tone", "at_s": 0.9, "amount": 64}]
    session.write().run()
    accept_take(session.load(), "clarinet/tone", "the repeat is in a rest", take=1)
    assert states(session) == {"clarinet/tone": "printed"}
    assert session.run().delivered == []


def test_an_accepted_take_keeps_the_verdict_that_it_was_held_for(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.simulation["fault"] = [{"kind": "inverted", "pass": "clarinet/tone"}]
    held = session.write().run().standings[0].checks
    accept_take(session.load(), "clarinet/tone", "meant so")
    sidecar = json.loads((session.folder / "dry/clarinet.tone.v1.json").read_text())
    assert [check["verdict"] for check in sidecar["checks"]] == [check.verdict for check in held]


@pytest.mark.parametrize("damage", ["removed", "cut off"])
def test_a_kept_take_that_cannot_be_used_is_recorded_anew_and_blocks_nothing(
    session: SmallSession, damage: str
) -> None:
    session.run(only=["clarinet"])
    (session.folder / "dry/clarinet.tone.v1.wav").unlink()
    take = session.folder / ".printq/takes/clarinet.tone.take1.wav"
    if damage == "removed":
        take.unlink()
    else:
        take.write_bytes(take.read_bytes()[: take.stat().st_size // 2])
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert "dry/clarinet.tone.v2.wav" in report.delivered
    assert "dry/harp.bus.v1.wav" in report.delivered


def test_one_run_after_a_failed_delivery_finishes_everything(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    session.run()
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    session.write()

    def full(*args: object, **kwargs: object) -> str:
        raise StorageError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(outcomes_module, "deliver_take", full)
        assert session.run().exit_status is ExitStatus.STORAGE
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert report.delivered == ["dry/clarinet.tone.v2.wav", "prints/mix.bus.v2.wav"]


def test_a_changed_print_without_its_sidecar_is_left_alone(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.run()
    changed = session.folder / "dry/clarinet.tone.v1.wav"
    write_wav(changed, make_music(0.5, seed=9))
    theirs = changed.read_bytes()
    changed.with_suffix(".json").unlink()
    assert session.run().delivered == ["dry/clarinet.tone.v2.wav"]
    assert changed.read_bytes() == theirs
    assert not changed.with_suffix(".json").exists()


def test_a_stem_that_is_hot_itself_is_not_held_for_a_hair(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.simulation["noise_dbfs"] = -100.0
    hot = make_music(1.0, seed=5)
    write_wav(session.folder / "dry/clarinet.wav", np.rint(hot / np.abs(hot).max() * 0.9999 * 2**23) / 2**23)
    assert session.write().run().exit_status is ExitStatus.DONE


def test_going_back_to_an_earlier_take_stands(session: SmallSession) -> None:
    session.keep_stems("clarinet")
    session.run()
    request_reprint(session.load(), "clarinet", "once more")
    session.run()
    assert accept_take(session.load(), "clarinet/tone", "the first was better", take=1) == "dry/clarinet.tone.v3.wav"
    assert states(session) == {"clarinet/tone": "printed"}
    assert session.run().delivered == []
