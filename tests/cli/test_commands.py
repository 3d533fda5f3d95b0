"""Commands end to end, as typed."""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from printq.cli.app import app
from printq.errors import ExitStatus
from printq.spool.journal import Journal
from printq.spool.paths import SessionPaths
from tests.sessions import RATE, SmallSession, make_music, write_wav

COMMANDS = sorted(
    str(command.callback.__name__).replace("_", "-") for command in app.registered_commands if command.callback
)


def test_check_says_that_everything_fits(session: SmallSession, type_in: Any) -> None:
    answer = type_in("check", session.folder)
    assert answer.status == ExitStatus.DONE
    assert "5 passes of 4 stems: everything fits together" in answer.out
    assert type_in("check", session.folder, "--json").json == {"ok": True, "problems": []}


def test_check_reports_problems_with_their_lines_and_exits_with_3(session: SmallSession, type_in: Any) -> None:
    session.stem("clarinet")["through"][0]["insert"] = "tonne"
    session.write()
    before = session.files()
    answer = type_in("check", session.folder, "--json")
    assert answer.status == ExitStatus.FILE
    (problem,) = [p for p in answer.json["problems"] if "tonne" in p["message"]]
    assert set(problem) >= {"file", "line", "column", "key", "message", "hint"}
    text = (session.folder / "job.toml").read_text().splitlines()
    assert "tonne" in text[problem["line"] - 1]
    assert "did you mean 'tone'?" in problem["hint"]
    for command in ("plan", "run", "status"):
        again = type_in(command, session.folder)
        assert again.status == ExitStatus.FILE
        assert "Traceback" not in again.err
    assert session.files() == before


def test_plan_document_is_as_specified(session: SmallSession, type_in: Any) -> None:
    plan = type_in("plan", session.folder, "--json").json
    assert set(plan) == {"makespan_s", "lower_bound_s", "hands_on_s", "entries"}
    for entry in plan["entries"]:
        assert set(entry) == {
            "pass", "stem", "insert", "snapshot", "set_up_start_s", "set_up_end_s", "probe_end_s", "start_s", "end_s",
            "moves",
        }  # fmt: skip
        assert sum(move["seconds"] for move in entry["moves"]) == pytest.approx(
            entry["set_up_end_s"] - entry["set_up_start_s"]
        )
        for move in entry["moves"]:
            assert set(move) == {"unit", "control", "from", "to", "seconds"}
    assert not (session.folder / ".printq").exists()  # looking changes nothing


def test_run_and_status_give_the_same_document(session: SmallSession, type_in: Any) -> None:
    ran = type_in("run", session.folder, "--yes", "--workers", 0, "--json")
    assert ran.status == ExitStatus.DONE
    status = type_in("status", session.folder, "--json")
    assert ran.json == status.json
    assert set(status.json) == {"passes", "last_run", "dial_times"}
    assert (status.json["last_run"]["state"], status.json["last_run"]["printed"]) == ("ended", 5)
    assert "last run: planned " in type_in("status", session.folder).out
    first = status.json["passes"][0]
    assert set(first) == {
        "pass", "state", "takes", "take_file", "print", "version", "reason", "latency_samples", "checks"
    }  # fmt: skip
    assert first["print"] == "dry/clarinet.tone.v1.wav"
    keys = {"check", "value", "unit", "limit", "verdict", "because_of", "cause", "remedy"}
    assert keys <= set(first["checks"][0])


def test_a_second_run_says_that_there_is_nothing_to_do(session: SmallSession, type_in: Any) -> None:
    type_in("run", session.folder, "--yes", "--workers", 0)
    assert "nothing to do" in type_in("run", session.folder, "--yes", "--workers", 0).out


def test_the_first_run_shows_the_cautions(session: SmallSession, type_in: Any) -> None:
    assert "monitors and headphones down" in type_in("run", session.folder, "--yes", "--workers", 0).err
    assert "monitors" not in type_in("run", session.folder, "--yes", "--workers", 0).err


def test_without_a_terminal_the_pending_set_up_is_shown_and_the_run_ends_with_5(
    session: SmallSession, type_in: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    answer = type_in("run", session.folder, "--workers", 0)
    assert answer.status == ExitStatus.STOPPED
    assert "Parametric equaliser: low  -3 dB" in answer.err


def test_a_held_take_ends_with_6_and_says_what_to_do(session: SmallSession, type_in: Any) -> None:
    session.simulation["fault"] = [{"kind": "inverted", "pass": "harp/bus"}]
    session.write()
    answer = type_in("run", session.folder, "--yes", "--workers", 0)
    assert answer.status == ExitStatus.HELD
    assert "held: harp/bus" in answer.out
    assert "what to do: " in answer.out
    accepted = type_in("accept", "harp/bus", "--why", "it is meant so", "--job", session.folder)
    assert accepted.status == ExitStatus.DONE
    assert "dry/harp.bus.v1.wav" in accepted.out


def test_a_held_take_says_where_in_the_print_nothing_came_back(session: SmallSession, type_in: Any) -> None:
    """The cut is made 1 s after the first frame that is played, and the stem begins some time after that."""
    session.simulation["fault"] = [{"kind": "cut", "pass": "harp/bus", "at_s": 1.0, "amount": 0.08}]
    session.write()
    answer = type_in("run", session.folder, "--yes", "--workers", 0)
    assert answer.status == ExitStatus.HELD
    found = re.search(r"where: a gap of (\d+) samples at 0:00\.(\d{3})", answer.out)
    assert found is not None, answer.out
    assert "dropout 1 fault: " in answer.out
    assert int(found[1]) == pytest.approx(0.08 * RATE, abs=0.01 * RATE)
    with Journal(SessionPaths(session.folder).journal, read_only=True) as journal:
        layout = journal.takes("harp/bus")[-1].record.layout
    assert int(found[2]) / 1000.0 == pytest.approx(1.0 - layout.material_at / RATE, abs=0.01)


def test_samples_lost_in_a_rest_are_said_to_be_in_the_rest(session: SmallSession, type_in: Any) -> None:
    session.keep_stems("harp")
    stem = make_music(12.0, 2, seed=4)
    stem[3 * RATE : 8 * RATE] = 0.0
    write_wav(session.folder / "dry/harp.wav", stem)
    session.simulation["fault"] = [{"kind": "slip", "pass": "harp/bus", "at_s": 6.0, "amount": 64}]
    session.write()
    answer = type_in("run", session.folder, "--yes", "--workers", 0)
    assert answer.status == ExitStatus.HELD
    found = re.findall(r"in the rest between 0:0(\d\.\d+) and 0:0(\d\.\d+)", answer.out)
    assert found, answer.out
    for low, high in found:
        assert 2.7 < float(low) <= 3.1
        assert 7.9 < float(high) < 8.3


def test_a_held_take_says_at_which_frequencies_it_hums(session: SmallSession, type_in: Any) -> None:
    """The simulated hum is the mains frequency and its third harmonic."""
    session.simulation["fault"] = [{"kind": "hum", "pass": "harp/bus"}]
    session.write()
    assert "where: 50 Hz, 150 Hz\n" in type_in("run", session.folder, "--yes", "--workers", 0).out


def test_reprint_by_stem_marks_every_pass_of_it(session: SmallSession, type_in: Any) -> None:
    type_in("run", session.folder, "--yes", "--workers", 0)
    answer = type_in("reprint", "viola", "--note", "less bite", "--job", session.folder, "--json")
    assert answer.json["passes"] == ["viola/tone", "viola/wire"]
    assert "viola/tone" in type_in("status", session.folder).out


def test_only_says_that_the_rest_is_not_printed(session: SmallSession, type_in: Any) -> None:
    words = ("run", session.folder, "--yes", "--workers", 0, "--only", "harp")
    type_in(*words)
    answer = type_in(*words)
    assert answer.status == ExitStatus.DONE
    assert "what was asked for is printed and up to date; 4 other passes are not" in answer.out


def test_a_pass_held_for_glitches_says_how_to_go_on(session: SmallSession, type_in: Any) -> None:
    session.job["options"]["glitch_retries"] = 0
    session.simulation["fault"] = [{"kind": "glitch", "pass": "harp/bus", "at_s": 1.0}]
    session.write()
    answer = type_in("run", session.folder, "--yes", "--workers", 0)
    assert "held: harp/bus: the driver glitched" in answer.out
    assert "printq reprint harp/bus --note" in answer.out
    assert "printq accept harp/bus" not in answer.out
    refused = type_in("accept", "harp/bus", "--why", "x", "--job", session.folder)
    assert refused.status == ExitStatus.FILE
    assert "printq reprint harp/bus" in refused.err


def test_unknown_names_are_usage_errors(session: SmallSession, type_in: Any) -> None:
    for words in (
        ("run", session.folder, "--only", "oboe", "--yes"),
        ("accept", "oboe/tone", "--why", "x", "--job", session.folder),
        ("reprint", "oboe", "--note", "x", "--job", session.folder),
        ("reprint", "viola", "--note", "  ", "--job", session.folder),
        ("schema", "bag"),
        ("fly",),
    ):
        answer = type_in(*words)
        assert answer.status == ExitStatus.USAGE, words
        assert "Traceback" not in answer.err


def test_errors_are_a_document_with_json(session: SmallSession, type_in: Any) -> None:
    (session.folder / "rig.toml").unlink()
    answer = type_in("status", session.folder, "--json")
    assert answer.status == ExitStatus.FILE
    assert "rig.toml" in answer.json["error"]["message"]


def test_an_interface_that_is_not_there_ends_with_4_and_a_sentence(session: SmallSession, type_in: Any) -> None:
    session.rig["interface"].update(driver="portaudio", device="an interface that nobody has")
    del session.rig["interface"]["simulation"]
    session.write()
    answer = type_in("run", session.folder, "--yes", "--workers", 0)
    assert answer.status == ExitStatus.RIG
    assert "an interface that nobody has" in answer.err or "PortAudio" in answer.err
    assert "Traceback" not in answer.err
    assert session.prints() == []


def test_new_makes_a_session_that_checks(session: SmallSession, tmp_path: Path, type_in: Any) -> None:
    target = tmp_path / "fresh"
    answer = type_in("new", target, "--stems", session.folder / "dry", "--rig", session.folder / "rig.toml")
    assert answer.status == ExitStatus.DONE
    assert type_in("check", target).status == ExitStatus.DONE
    again = type_in("new", target, "--stems", session.folder / "dry", "--rig", session.folder / "rig.toml")
    assert again.status == ExitStatus.STORAGE
    assert "never overwritten" in again.err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_shows_an_example_in_its_help(command: str, type_in: Any) -> None:
    answer = type_in(command, "--help")
    assert answer.status == ExitStatus.DONE
    assert "Example:" in answer.out
    assert "--json" in answer.out


def test_workers_end_when_their_driver_is_killed(session: SmallSession) -> None:
    if sys.platform != "linux":
        pytest.skip("looks for processes in /proc")
    driver = subprocess.Popen(
        [sys.executable, "-m", "printq", "run", str(session.folder), "--yes"], stderr=subprocess.PIPE, text=True
    )
    assert driver.stderr is not None
    for line in driver.stderr:
        if "rolling" in line:
            break
    children = _children(driver.pid)
    driver.kill()
    driver.wait()
    driver.stderr.close()
    deadline = time.monotonic() + 20
    while any(Path(f"/proc/{child}").exists() for child in children) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert children
    assert not [child for child in children if Path(f"/proc/{child}").exists()]


def _children(pid: int) -> list[int]:
    path = Path(f"/proc/{pid}/task/{pid}/children")
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        found = [int(word) for word in path.read_text().split()]
        if found:
            return found
        time.sleep(0.02)
    return []


BARE = """
import typer
app = typer.Typer(add_completion=False)
@app.command()
def one(): "One."
@app.command()
def two(): "Two."
app()
"""


@pytest.mark.benchmark
def test_help_costs_little_more_than_a_bare_typer_program() -> None:
    """A ratio in one run, the better of several pairs: the claim is 1.6, the rest is for busy machines."""
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}

    def seconds(*arguments: str) -> float:
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], capture_output=True, check=True, env=environment)
        return time.perf_counter() - start

    pairs = [(seconds("-m", "printq", "--help"), seconds("-c", BARE, "--help")) for _ in range(5)]
    ratio = min(ours for ours, _ in pairs) / min(bare for _, bare in pairs)
    assert ratio < 1.6, statistics.mean(ours for ours, _ in pairs)
