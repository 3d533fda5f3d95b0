"""Through wires nothing changes: prints equal the dry stems sample for sample."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from printq.errors import ExitStatus
from tests.sessions import SmallSession, read_audio

RATES = [44_100, 48_000, 96_000]


def make_wires(folder: Path, rate: int, latency: float, mode: str) -> SmallSession:
    session = SmallSession(folder, rate=rate)
    session.simulation["latency_samples"] = latency
    session.simulation["restart_jitter_samples"] = 64
    session.insert("bus")["mode"] = mode
    session.job["stem"] = [
        {"id": "clarinet", "file": "dry/clarinet.wav", "through": [{"insert": "wire", "snapshot": "through"}]},
        {"id": "harp", "file": "dry/harp.wav", "through": [{"insert": "bus", "snapshot": "glue"}]},
    ]
    return session.write()


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("latency", [0.0, 187.0, 5000.0])
def test_a_24_bit_stem_comes_back_sample_for_sample(tmp_path: Path, rate: int, latency: float) -> None:
    session = make_wires(tmp_path, rate, latency, "stereo")
    assert session.run().exit_status is ExitStatus.DONE
    tail = round(0.1 * rate)
    for dry, print_file in (("clarinet", "dry/clarinet.wire.v1.wav"), ("harp", "dry/harp.bus.v1.wav")):
        sent, printed = read_audio(tmp_path / f"dry/{dry}.wav"), read_audio(tmp_path / print_file)
        assert len(printed) == len(sent) + tail
        assert np.array_equal(printed[: len(sent)], sent)
        assert not printed[len(sent) :].any()


@pytest.mark.parametrize("rate", RATES)
def test_through_mid_side_it_comes_back_within_one_step_of_24_bits(tmp_path: Path, rate: int) -> None:
    # The sum of two 24-bit samples has 25 bits, and a converter has 24.
    session = make_wires(tmp_path, rate, 187.0, "mid-side")
    assert session.run(only=["harp"]).exit_status is ExitStatus.DONE
    sent, printed = read_audio(tmp_path / "dry/harp.wav"), read_audio(tmp_path / "dry/harp.bus.v1.wav")
    assert np.abs(printed[: len(sent)] - sent).max() <= 1.0 / 2**23


def test_dual_mono_is_a_wire_too(tmp_path: Path) -> None:
    session = make_wires(tmp_path, 48_000, 187.0, "dual-mono")
    session.run(only=["harp"])
    sent, printed = read_audio(tmp_path / "dry/harp.wav"), read_audio(tmp_path / "dry/harp.bus.v1.wav")
    assert np.array_equal(printed[: len(sent)], sent)


def test_a_known_inversion_is_undone_in_the_print(tmp_path: Path) -> None:
    session = make_wires(tmp_path, 48_000, 187.0, "stereo")
    session.insert("wire")["inverts"] = True
    session.simulation["fault"] = [{"kind": "inverted", "pass": "clarinet/wire"}]
    assert session.write().run(only=["clarinet"]).exit_status is ExitStatus.DONE
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(tmp_path / "dry/clarinet.wire.v1.wav")
    assert np.array_equal(printed[: len(sent)], sent)


@pytest.mark.parametrize(("send_db", "return_db"), [(-6.0, 6.0), (-20.0, 20.0)])
def test_gains_that_undo_each_other_leave_the_level_alone(tmp_path: Path, send_db: float, return_db: float) -> None:
    session = make_wires(tmp_path, 48_000, 187.0, "stereo")
    session.stem("clarinet")["through"][0].update(send_db=send_db, return_db=return_db)
    session.write().run(only=["clarinet"])
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(tmp_path / "dry/clarinet.wire.v1.wav")
    # Half a converter step, raised by the return gain, and at most 1.5 steps of dithered rounding (TPDF and half).
    assert np.abs(printed[: len(sent)] - sent).max() <= (0.5 * 10 ** (return_db / 20) + 1.5) / 2**23


@pytest.mark.parametrize("bit_depth", [16, 24, 32])
def test_every_word_length_is_delivered_and_dithered_exactly_when_bits_are_lost(tmp_path: Path, bit_depth: int) -> None:
    import json

    import soundfile

    session = make_wires(tmp_path, 48_000, 187.0, "stereo")
    session.job["options"]["bit_depth"] = bit_depth
    session.write().run(only=["clarinet"])
    path = tmp_path / "dry/clarinet.wire.v1.wav"
    assert soundfile.info(path).subtype == {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}[bit_depth]
    sidecar = json.loads(path.with_suffix(".json").read_text())
    assert sidecar["rendered"]["dithered"] is (bit_depth == 16)
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(path)
    step = 1.0 / 2 ** (min(bit_depth, 24) - 1)
    assert np.abs(printed[: len(sent)] - sent).max() <= (1.5 * step if bit_depth == 16 else 0.0)


def test_a_blend_with_the_dry_stem_is_lined_up_to_the_fraction(tmp_path: Path) -> None:
    # Half print and half stem of a wire with a fraction in its delay: lined up, they add to the stem again.
    session = make_wires(tmp_path, 48_000, 187.5, "stereo")
    session.job["options"]["bit_depth"] = 32
    session.stem("clarinet")["through"][0]["blend"] = 0.5
    session.write().run(only=["clarinet"])
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(tmp_path / "dry/clarinet.wire.v1.wav")
    difference = printed[: len(sent)] - sent
    # The stem's noise reaches up to the Nyquist frequency, where no filter delays by half a sample; below it -60 dB.
    from scipy.signal import butter, sosfilt

    low = sosfilt(butter(8, 12_000, fs=48_000, output="sos"), difference, axis=0)
    assert np.sqrt(np.mean(low**2)) < 1e-3 * np.sqrt(np.mean(sent**2))


def test_subsample_alignment_takes_the_fraction_out(tmp_path: Path) -> None:
    session = make_wires(tmp_path, 48_000, 187.37, "stereo")
    session.job["options"].update(bit_depth=32, align="subsample")
    session.write().run(only=["clarinet"])
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(tmp_path / "dry/clarinet.wire.v1.wav")
    from scipy.signal import butter, sosfilt

    low = sosfilt(butter(8, 12_000, fs=48_000, output="sos"), printed[: len(sent)] - sent, axis=0)
    assert np.sqrt(np.mean(low**2)) < 1e-3 * np.sqrt(np.mean(sent**2))
