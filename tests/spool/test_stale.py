"""What makes a print stale: its audio, its settings, its wiring, its options; and what does not."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from printq.files.broadcast import BroadcastExtension, read_broadcast
from printq.files.soundfiles import PrintWriter
from printq.spool.session import list_standings, plan_session
from tests.sessions import RATE, SmallSession, make_music, read_audio, write_wav

Edit = Callable[[SmallSession], None]
Expected = dict[str, str]
"""Pass to a part of its reason; passes that are not named stay printed."""


def changed(what: str, do: Edit, expected: Expected) -> object:
    return pytest.param(do, expected, id=what)


def set_low(session: SmallSession, value: float) -> None:
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = value


def rename_snapshot(session: SmallSession) -> None:
    session.snapshots["snapshot"][0]["id"] = "warmer"
    session.stem("clarinet")["through"][0]["snapshot"] = "warmer"


def reorder(session: SmallSession) -> None:
    session.job["stem"][:3] = reversed(session.job["stem"][:3])
    session.rig["unit"].reverse()
    session.rig["insert"].reverse()
    session.snapshots["snapshot"].reverse()
    session.stem("mix")["sum_of"].reverse()


def add_comment(session: SmallSession) -> None:
    for name in ("rig", "snapshots", "job"):
        path = session.folder / f"{name}.toml"
        path.write_text("# the tide was high that night\n" + path.read_text())


def touch_dry_file(session: SmallSession) -> None:
    os.utime(session.folder / "dry/clarinet.wav", (1_000_000_000, 1_000_000_000))


def repack_as_flac(session: SmallSession) -> None:
    samples, rate = soundfile.read(session.folder / "dry/clarinet.wav", dtype="int32")
    (session.folder / "dry/clarinet.wav").unlink()
    soundfile.write(session.folder / "dry/clarinet.flac", samples, rate, subtype="PCM_24")
    session.stem("clarinet")["file"] = "dry/clarinet.flac"


CLARINET_AND_MIX = {"mix/bus": "made from clarinet/tone, which is stale"}
EVERYTHING = {
    "viola/wire": "made from viola/tone, which is stale",
    "mix/bus": "made from clarinet/tone, which is stale",
}

EDITS = [
    changed(
        "other audio in the dry file",
        lambda s: write_wav(s.folder / "dry/clarinet.wav", make_music(1.0, seed=77)),
        {"clarinet/tone": "the audio of dry/clarinet.wav has changed", **CLARINET_AND_MIX},
    ),
    changed(
        "another position in a snapshot",
        lambda s: set_low(s, 5),
        {"clarinet/tone": "eq low 3 -> 5", **CLARINET_AND_MIX},
    ),
    changed(
        "another snapshot for a pass",
        lambda s: s.stem("clarinet")["through"][0].update(snapshot="thin"),
        {"clarinet/tone": "eq low 3 -> -3", **CLARINET_AND_MIX},
    ),
    changed(
        "other sends",
        lambda s: s.insert("wire").update(sends=[5]),
        {"viola/wire": "insert sends 2 -> 5", "mix/bus": "made from viola/wire, which is stale"},
    ),
    changed(
        "other returns",
        lambda s: s.insert("wire").update(returns=[5]),
        {"viola/wire": "insert returns 2 -> 5", "mix/bus": "made from viola/wire, which is stale"},
    ),
    changed(
        "another unit on the insert",
        lambda s: (
            s.insert("wire").update(units=["cable", "eq"])
            or s.snapshots["snapshot"][2].update(settings={"eq": {"low": 0}})
        ),
        {"viola/wire": "insert units cable -> cable+eq", "mix/bus": "made from viola/wire, which is stale"},
    ),
    changed(
        "another channel mode",
        lambda s: s.insert("bus").update(mode="mid-side"),
        {"harp/bus": "insert mode stereo -> mid-side", "mix/bus": "insert mode stereo -> mid-side"},
    ),
    changed(
        "a fixed control stands elsewhere",
        lambda s: s.rig["unit"][0]["control"][1].update(fixed="narrow"),
        {"clarinet/tone": "unit eq is another than it was", "viola/tone": "unit eq is another", **EVERYTHING},
    ),
    changed(
        "a longer tail",
        lambda s: s.insert("wire").update(tail_s=0.2),
        {"viola/wire": "tail_s 0.1 -> 0.2", "mix/bus": "made from viola/wire, which is stale"},
    ),
    changed(
        "a gain before the send",
        lambda s: s.stem("harp")["through"][0].update(send_db=-1.0),
        {"harp/bus": "send_db 0 -> -1", "mix/bus": "made from harp/bus, which is stale"},
    ),
    changed(
        "a gain after the return",
        lambda s: s.stem("harp")["through"][0].update(return_db=1.5),
        {"harp/bus": "return_db 0 -> 1.5", "mix/bus": "made from harp/bus, which is stale"},
    ),
    changed(
        "a blend",
        lambda s: s.stem("clarinet")["through"][0].update(blend=0.5),
        {"clarinet/tone": "blend 1 -> 0.5", **CLARINET_AND_MIX},
    ),
    changed(
        "a gain in the sum",
        lambda s: s.stem("mix")["sum_of"][1].update(gain_db=-4.0),
        {"mix/bus": "viola in the sum: gain_db -3 -> -4"},
    ),
    changed(
        "a pan in the sum",
        lambda s: s.stem("mix")["sum_of"][1].update(pan=-0.25),
        {"mix/bus": "viola in the sum: pan 0 -> -0.25"},
    ),
    changed("a stem leaves the sum", lambda s: s.stem("mix")["sum_of"].pop(), {"mix/bus": "harp has left the sum"}),
    changed(
        "another word length",
        lambda s: s.job["options"].update(bit_depth=16),
        {
            "clarinet/tone": "bit_depth 24 -> 16",
            "viola/tone": "bit_depth 24 -> 16",
            "harp/bus": "bit_depth 24 -> 16",
            **EVERYTHING,
        },
    ),
    changed(
        "settling before the take",
        lambda s: s.job["options"].update(settle_s=0.5),
        {
            "clarinet/tone": "settle_s 0 -> 0.5",
            "viola/tone": "settle_s 0 -> 0.5",
            "harp/bus": "settle_s 0 -> 0.5",
            **EVERYTHING,
        },
    ),
    changed(
        "the insert inverts",
        lambda s: s.insert("wire").update(inverts=True),
        {"viola/wire": "inverts", "mix/bus": "made from viola/wire, which is stale"},
    ),
    changed("a label", lambda s: s.rig["unit"][0].update(label="Shelving equaliser"), {}),
    changed("a serial number", lambda s: s.rig["unit"][0].update(serial="00-17"), {}),
    changed("a note", lambda s: s.snapshots["snapshot"][0].update(note="as on the second night"), {}),
    changed("the title", lambda s: s.job.update(title="Small waltz, mix 2"), {}),
    changed("a comment in every file", add_comment, {}),
    changed("the order of everything", reorder, {}),
    changed("the name of a snapshot", rename_snapshot, {}),
    changed("a limit", lambda s: s.job.update(limits={"hum": "off"}), {}),
    changed("the time of a dry file", touch_dry_file, {}),
    changed("the packing of a dry file", repack_as_flac, {}),
    changed("lead, gap and retries", lambda s: s.job["options"].update(lead_s=0.5, gap_s=0.4, retries=7), {}),
    changed("the dial time of a control", lambda s: s.rig["unit"][0]["control"][0].update(dial_s=9), {}),
]


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    """A session that has been printed, to be copied by each edit."""
    session = SmallSession(tmp_path_factory.mktemp("printed"))
    session.run()
    return session


@pytest.mark.parametrize(("edit", "expected"), EDITS)
def test_an_edit_makes_exactly_the_right_passes_stale_with_the_right_reason(
    printed: SmallSession, tmp_path: Path, edit: Edit, expected: Expected
) -> None:
    import shutil

    folder = tmp_path / "session"
    shutil.copytree(printed.folder, folder)  # keeps times, as a backup would
    session = SmallSession.__new__(SmallSession)
    session.folder = folder
    session.rig, session.snapshots, session.job = (
        _copy(printed.rig),
        _copy(printed.snapshots),
        _copy(printed.job),
    )
    edit(session)
    if edit is not add_comment:
        session.write()
    standings = {standing.pass_id: standing for standing in list_standings(session.load())}
    stale = {name: standing for name, standing in standings.items() if standing.state != "printed"}
    assert set(stale) == set(expected)
    for name, fragment in expected.items():
        assert stale[name].state == "stale"
        assert fragment in stale[name].reason
    planned = {entry.pass_id for entry in plan_session(session.load()).plan.entries}
    assert planned == set(expected)


def test_a_moved_time_reference_delivers_again_without_a_pass(tmp_path: Path) -> None:
    session = SmallSession(tmp_path)
    write_broadcast(session.folder / "dry/clarinet.wav", 1_000)
    session.keep_stems("clarinet")
    session.run()
    write_broadcast(session.folder / "dry/clarinet.wav", (1 << 32) + 48_000)
    (standing,) = list_standings(session.load())
    assert standing.state == "taken"
    assert "time_reference 1000 -> 4295015296" in standing.reason
    report = session.run()
    assert report.rolled_s == 0.0
    assert report.delivered == ["dry/clarinet.tone.v2.wav"]
    prints = [session.folder / f"dry/clarinet.tone.v{version}.wav" for version in (1, 2)]
    assert [found.time_reference for path in prints if (found := read_broadcast(path))] == [1_000, (1 << 32) + 48_000]
    assert np.array_equal(read_audio(prints[0]), read_audio(prints[1]))


def test_what_is_stale_prints_the_next_version_once_and_then_is_done(printed: SmallSession, tmp_path: Path) -> None:
    session = SmallSession(tmp_path)
    session.run()
    session.insert("tone")["tail_s"] = 0.3
    first = session.write().run()
    assert sorted(first.delivered) == [
        "dry/clarinet.tone.v2.wav",
        "dry/viola.tone.v2.wav",
        "dry/viola.wire.v2.wav",
        "prints/mix.bus.v2.wav",
    ]
    assert session.run().delivered == []


def write_broadcast(path: Path, time_reference: int) -> None:
    """The clarinet with a time reference, the samples always the same."""
    samples = make_music(1.0, seed=1)
    path.unlink(missing_ok=True)
    with PrintWriter(
        path, RATE, 1, 24, BroadcastExtension(time_reference=time_reference), frames=len(samples)
    ) as writer:
        writer.write(samples)
    assert struct.pack("<Q", time_reference) in path.read_bytes()


def _copy(value: dict[str, object]) -> dict[str, object]:
    import copy

    return copy.deepcopy(value)
