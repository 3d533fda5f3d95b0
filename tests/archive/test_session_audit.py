"""A bag whose checksums hold, and whose contents do not belong together."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from printq.archive.session_audit import Payload, check_content
from printq.spool.archiving import ArchiveWishes, archive_session
from tests.archive.test_archive_session import Folder
from tests.sessions import SmallSession, read_audio, write_wav


@pytest.fixture(scope="module")
def archived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The payload of an archive with a mix; not to be changed."""
    folder = tmp_path_factory.mktemp("archived")
    session = SmallSession(folder / "waltz", seconds=3.2)
    session.keep_stems("clarinet", "harp", "viola", "mix")
    session.run()
    shutil.copyfile(session.folder / "prints/mix.bus.v1.wav", folder / "final.wav")
    archive_session(session.load(), Folder(folder / "payload"), ArchiveWishes(mixes=(folder / "final.wav",)))
    return folder / "payload"


@pytest.fixture
def payload(archived: Path, tmp_path: Path) -> Path:
    shutil.copytree(archived, tmp_path / "payload")
    return tmp_path / "payload"


def findings(folder: Path) -> dict[str, str]:
    names = tuple(sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()))
    return {found.file: found.message for found in check_content(Payload(names, lambda name: folder / name), names)}


def edit(path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    document = json.loads(path.read_text())
    change(document)
    path.write_text(json.dumps(document, indent=2))


def test_what_was_archived_agrees_with_itself(archived: Path) -> None:
    assert findings(archived) == {}


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("integrated_lufs", "integrated loudness"),
        ("range_lu", "loudness range"),
        ("momentary_max_lufs", "momentary maximum"),
        ("short_term_max_lufs", "short-term maximum"),
    ],
)
def test_a_figure_that_was_not_measured_is_found(payload: Path, key: str, words: str) -> None:
    def change(sidecar: dict[str, Any]) -> None:
        sidecar["loudness"][key] = (sidecar["loudness"][key] or 0.0) + 0.02

    edit(payload / "dry/harp.bus.v1.json", change)
    found = findings(payload)
    assert list(found) == ["dry/harp.bus.v1.wav"]
    assert words in found["dry/harp.bus.v1.wav"]


def test_peaks_are_those_of_the_print(payload: Path) -> None:
    def change(sidecar: dict[str, Any]) -> None:
        next(check for check in sidecar["checks"] if check["check"] == "true_peak")["detail"]["print"] -= 0.02

    edit(payload / "dry/harp.bus.v1.json", change)
    assert "true peak" in findings(payload)["dry/harp.bus.v1.wav"]


def test_another_dry_stem_than_was_played_is_found(payload: Path) -> None:
    signal = read_audio(payload / "dry/viola.wav")
    signal[100, 0] += 2.0**-23
    write_wav(payload / "dry/viola.wav", signal)
    assert findings(payload) == {
        "dry/viola.tone.v1.wav": "viola.wav is not what was played for viola.tone.v1.wav: the audio has another "
        "checksum"
    }


def test_prints_that_changed_places_are_found(payload: Path) -> None:
    one, other = payload / "dry/clarinet.tone.v1.wav", payload / "dry/viola.wire.v1.wav"
    kept = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(kept)
    assert {"dry/clarinet.tone.v1.wav", "dry/viola.wire.v1.wav"} <= set(findings(payload))


def test_another_mix_than_the_proof_was_made_with_is_found(payload: Path) -> None:
    write_wav(payload / "mixes/final.wav", np.zeros((4800, 2)))
    assert findings(payload) == {"mixes/final.wav": "mixes/final.wav is not the mix that the proof was made with"}


def test_a_print_that_the_proof_speaks_of_has_to_be_there(payload: Path) -> None:
    (payload / "prints/mix.bus.v1.wav").unlink()
    assert "prints/mix.bus.v1.wav" in findings(payload)


def test_earlier_versions_a_rig_outside_and_what_was_archived_as_it_was_agree_too(tmp_path: Path) -> None:
    session = SmallSession(tmp_path / "waltz")
    session.keep_stems("clarinet", "harp")
    session.run()
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    session.write().run()
    session.job["rig"] = "../rig.toml"
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 6.0
    session.write()
    (session.folder / "rig.toml").rename(tmp_path / "rig.toml")
    wishes = ArchiveWishes(as_is=True, all_versions=True)
    report = archive_session(session.load(), Folder(tmp_path / "payload"), wishes)
    assert report.proof.session == "waltz"
    assert findings(tmp_path / "payload") == {}
    print_ = tmp_path / "payload/waltz/dry/clarinet.tone.v1.wav"
    write_wav(print_, read_audio(print_) * 0.5)
    assert "clarinet.tone.v1.wav is not the file" in findings(tmp_path / "payload")["waltz/dry/clarinet.tone.v1.wav"]


def test_a_proof_made_up_to_wear_an_audit_out_is_refused(payload: Path) -> None:
    """Lengths and channels that no memory holds, paths that lead elsewhere."""
    proof = payload / "notes/sum-proof.json"
    whole = proof.read_text()
    edit(proof, lambda document: document["prints"][0].update(frames=10**15))
    assert "is shorter than what was played" in findings(payload)["dry/clarinet.tone.v1.wav"]
    proof.write_text(whole)
    edit(proof, lambda document: document["prints"][0].update(channels=10**9))
    assert "no proof that this version reads" in findings(payload)["notes/sum-proof.json"]
    proof.write_text(whole)
    edit(proof, lambda document: document["prints"][0]["played"][0].update(file="../../../etc/hostname"))
    assert "not all that dry/clarinet.tone.v1.wav was made from is in the bag" in findings(payload).values()


def test_packed_audio_is_held_against_its_samples(payload: Path) -> None:
    """FLAC of the same samples is the same audio; of one sample less it is not."""
    names = tuple(sorted(path.relative_to(payload).as_posix() for path in payload.rglob("*") if path.is_file()))
    packed = {name: payload / f"{name}.flac" for name in names if name.endswith(".wav")}
    for name, path in packed.items():
        samples, rate = soundfile.read(payload / name, dtype="int32")
        soundfile.write(path, samples, rate, subtype="PCM_24")
        (payload / name).unlink()
    contents = Payload(names, lambda name: packed.get(name, payload / name), lambda name: name in packed)
    assert check_content(contents, names) == []
    samples, rate = soundfile.read(packed["dry/harp.bus.v1.wav"], dtype="int32")
    soundfile.write(packed["dry/harp.bus.v1.wav"], samples[:-1], rate, subtype="PCM_24")
    assert {found.file for found in check_content(contents, names)} == {"dry/harp.bus.v1.wav"}
