"""The delay that is found is the delay that is there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from printq.errors import ExitStatus
from tests.sessions import SmallSession, make_music, read_audio, write_wav

LATENCIES = np.random.default_rng(11).uniform(0.0, 5000.0, 12).round(3).tolist()


def timing_of(folder: Path, name: str) -> dict[str, object]:
    timing: dict[str, object] = json.loads((folder / f"{name}.json").read_text())["timing"]
    return timing


@pytest.mark.parametrize("latency", [0.0, 0.5, 4999.9, *LATENCIES])
def test_a_wire_s_delay_is_found_within_two_hundredths_of_a_sample(tmp_path: Path, latency: float) -> None:
    session = SmallSession(tmp_path, seconds=0.5)
    session.simulation.update({"latency_samples": latency, "noise_dbfs": -90.0})
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet")
    assert session.run().exit_status is ExitStatus.DONE
    timing = timing_of(tmp_path, "dry/clarinet.wire.v1")
    assert timing["delay_samples"] == pytest.approx(latency, abs=0.02)
    assert timing["slip_samples"] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("latency", [187.37, 3211.62])
def test_with_an_equaliser_in_circuit_the_delay_is_that_of_its_response(tmp_path: Path, latency: float) -> None:
    """The truth is the maximum of the same correlation, worked out from the cookbook response of the shelf."""
    from printq.measure.delay import find_delay
    from printq.measure.stimuli import make_marker

    session = SmallSession(tmp_path, seconds=0.5)
    session.simulation["latency_samples"] = latency
    session.keep_stems("clarinet")
    session.run()
    marker = make_marker(48_000, 10 ** (-30 / 20))
    padded = np.concatenate((marker, np.zeros(9600)))
    frequencies = np.fft.rfftfreq(len(padded), 1 / 48_000)
    response = shelf_response(frequencies, 48_000, hz=100.0, gain_db=3.0)
    shaped = np.fft.irfft(np.fft.rfft(padded) * response, len(padded))
    truth = latency + find_delay(marker, shaped, 48_000).samples
    assert timing_of(tmp_path, "dry/clarinet.tone.v1")["delay_samples"] == pytest.approx(truth, abs=0.02)


def shelf_response(frequencies: np.ndarray, rate: int, hz: float, gain_db: float) -> np.ndarray:
    """A low shelf with a slope of one: the analog prototype of the equaliser cookbook, on the warped axis."""
    root = 10 ** (gain_db / 40)
    s = 1j * np.tan(np.pi * frequencies / rate) / np.tan(np.pi * hz / rate)
    bend = np.sqrt(root) * np.sqrt(2.0)
    return np.asarray(root * (s**2 + bend * s + root) / (root * s**2 + bend * s + 1.0))


def test_two_clocks_show_as_a_slip(tmp_path: Path) -> None:
    # 50 ppm over the 1.44 s between the markers of this take at 48 kHz: 3.5 samples (ppm * time * rate).
    session = SmallSession(tmp_path)
    session.simulation["clock_offset_ppm"] = 50.0
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet")
    report = session.run()
    assert report.exit_status is ExitStatus.HELD
    (standing,) = report.standings
    slip = next(check for check in standing.checks if check.check == "slip")
    between = 0.1 + 0.2 + 1.0 + 0.1 + 0.2  # marker, gap, stem, tail, gap
    assert slip.value == pytest.approx(50e-6 * between * 48_000, abs=0.05)


def test_timing_on_the_loop_leaves_markers_off_the_path(tmp_path: Path) -> None:
    session = SmallSession(tmp_path)
    session.simulation["latency_samples"] = 187.25
    session.rig["interface"]["timing_loop"] = {"send": 7, "return": 7}
    session.insert("wire").update(timing="loop")
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet")
    assert session.run().exit_status is ExitStatus.DONE
    timing = timing_of(tmp_path, "dry/clarinet.wire.v1")
    assert timing["loop_delay_samples"] == pytest.approx(187.25, abs=0.02)
    assert timing["delay_samples"] == pytest.approx(187.25, abs=0.05)  # from the stem itself


def make_echo(folder: Path, **insert: str) -> SmallSession:
    """The wire's unit becomes an echo of 10 ms, with the timing loop on send 7."""
    session = SmallSession(folder)
    session.rig["interface"]["timing_loop"] = {"send": 7, "return": 7}
    session.rig["unit"][1]["model"] = {
        "kind": "echo",
        "parameters": {"time_ms": 10.0, "feedback": 0.0, "mix": 1.0, "tone_hz": 16_000.0},
    }
    session.insert("wire").update({"timing": "loop", **insert})
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet")
    return session


@pytest.mark.parametrize(("kind", "amount"), [("slip", 40), ("repeat", 64)])
def test_lost_samples_are_seen_on_the_timing_loop_too(tmp_path: Path, kind: str, amount: int) -> None:
    session = make_echo(tmp_path, trim="loop")
    session.job["options"]["retries"] = 0
    session.simulation["fault"] = [{"kind": kind, "pass": "clarinet/wire", "at_s": 0.9, "amount": amount}]
    report = session.write().run()
    assert report.exit_status is ExitStatus.HELD
    (standing,) = report.standings
    slip = next(check for check in standing.checks if check.check == "slip")
    assert slip.value == pytest.approx(amount, abs=0.02)
    assert slip.verdict == "fail"


def test_a_unit_that_delays_by_itself_is_pointed_out_where_its_delay_is_trimmed_away(tmp_path: Path) -> None:
    report = make_echo(tmp_path).run()
    (standing,) = report.standings
    latency = next(check for check in standing.checks if check.check == "latency")
    assert latency.verdict == "warn"
    assert latency.detail["own_delay_samples"] == pytest.approx(480.0, abs=1.0)
    assert 'trim = "loop"' in (latency.remedy or "")


def test_timing_by_the_material_needs_no_markers(tmp_path: Path) -> None:
    session = SmallSession(tmp_path, seconds=2.0)
    session.simulation["latency_samples"] = 187.25
    session.insert("wire").update(timing="material")
    session.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    session.keep_stems("clarinet")
    assert session.run().exit_status is ExitStatus.DONE
    assert timing_of(tmp_path, "dry/clarinet.wire.v1")["delay_samples"] == pytest.approx(187.25, abs=0.05)


def test_trim_loop_keeps_the_unit_s_own_delay_in_the_print(tmp_path: Path) -> None:
    session = make_echo(tmp_path, trim="loop")
    write_wav(tmp_path / "dry/clarinet.wav", np.concatenate((make_music(0.7), np.zeros((4800, 1)))))
    assert session.run().exit_status is ExitStatus.DONE
    sent, printed = read_audio(tmp_path / "dry/clarinet.wav"), read_audio(tmp_path / "dry/clarinet.wire.v1.wav")
    lags = [float(np.dot(sent[:30_000, 0], printed[lag : lag + 30_000, 0])) for lag in (0, 240, 480, 720)]
    assert int(np.argmax(lags)) == 2  # 10 ms are 480 samples


def test_passes_through_one_insert_share_a_trim_although_their_delays_differ_by_a_fraction(tmp_path: Path) -> None:
    session = SmallSession(tmp_path)
    session.simulation["latency_samples"] = 187.45
    session.run()
    trims = [
        json.loads((tmp_path / f"dry/{name}.json").read_text())["trim"]["frames"]
        for name in ("clarinet.tone.v1", "viola.tone.v1")
    ]
    delays = [timing_of(tmp_path, f"dry/{name}")["delay_samples"] for name in ("clarinet.tone.v1", "viola.tone.v1")]
    assert delays[0] != pytest.approx(delays[1], abs=1e-4)
    assert trims[0] == trims[1]
