"""The checksum that a sidecar has of a print's audio is that of the file beside it, however the print was made."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile

from printq.verify import finished
from tests.sessions import SmallSession


def as_it_came(session: SmallSession) -> None:
    pass


def at_16_bits(session: SmallSession) -> None:
    session.job["options"]["bit_depth"] = 16


def at_32_bits(session: SmallSession) -> None:
    session.job["options"]["bit_depth"] = 32


def turned_down(session: SmallSession) -> None:
    session.stem("harp")["through"][0]["return_db"] = -6.0


def mid_side(session: SmallSession) -> None:
    session.insert("bus")["mode"] = "mid-side"


def between_samples(session: SmallSession) -> None:
    session.job["options"]["align"] = "subsample"
    session.simulation["latency_samples"] = 187.4


def blended(session: SmallSession) -> None:
    session.stem("harp")["through"][0]["blend"] = 0.5


WAYS = [as_it_came, at_16_bits, at_32_bits, turned_down, mid_side, between_samples, blended]


def checksum_of(path: Path) -> str:
    """As the documents say: over rate, channels and the samples as little-endian 64-bit floats."""
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    return hashlib.sha256(f"{rate} Hz, {samples.shape[1]} channels\n".encode() + (samples + 0.0).tobytes()).hexdigest()


@pytest.mark.parametrize("way", WAYS)
def test_a_sidecar_has_the_checksum_of_its_print(
    way: Callable[[SmallSession], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = SmallSession(tmp_path)
    session.keep_stems("harp")
    way(session)
    session.write()
    hashers = []

    class Counted(finished.AudioHasher):
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments)
            hashers.append(self)

    monkeypatch.setattr(finished, "AudioHasher", Counted)
    session.run()
    sidecar = json.loads((tmp_path / "dry/harp.bus.v1.json").read_text())
    assert sidecar["rendered"]["audio_sha256"] == checksum_of(tmp_path / "dry/harp.bus.v1.wav")
    # What is the return, sample for sample, is not added up twice.
    assert bool(hashers) == (way not in (as_it_came, at_32_bits))
