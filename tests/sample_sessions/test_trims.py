"""Every pass of the sample session is trimmed by the delay of its units and of the loop."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printq.audio.channels import to_sends
from printq.audio.processors import make_processor
from printq.audio.processors.base import QUANTUM
from printq.audio.processors.parameters import unit_parameters
from printq.audio.simulated import SimulatedRack
from printq.intake import load_job
from printq.measure.stimuli import make_marker
from printq.models.passes import Job, Pass
from printq.spool.operator import AssumingOperator, SilentListener
from printq.spool.session import run_session

SAMPLE = Path(__file__).parents[2] / "sample_sessions/lighthouse_waltz"
OVERSAMPLING = 256


@pytest.mark.slow
def test_every_trim_is_the_delay_of_the_loop_and_of_the_units_response(tmp_path: Path) -> None:
    folder = tmp_path / "waltz"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns(".printq", "*.v[0-9]*", "prints"))
    job = load_job(folder)
    report = run_session(
        job, lambda restarts: SimulatedRack(job.rig, restarts), AssumingOperator(), SilentListener(), workers=0
    )
    assert report.exit_status == 0
    loop = SimulatedRack(job.rig, 0).latency_samples
    trims: dict[str, set[int]] = {}
    for standing, each in zip(report.standings, job.passes, strict=True):
        assert standing.print_file is not None
        sidecar = json.loads((folder / standing.print_file).with_suffix(".json").read_text())
        truth = loop + np.mean(delays_of_units(job, each))
        assert sidecar["timing"]["delay_samples"] == pytest.approx(truth, abs=0.02), each.id
        assert abs(sidecar["trim"]["frames"] - truth) <= 0.75, each.id
        trims.setdefault(each.insert, set()).add(sidecar["trim"]["frames"])
    assert all(len(found) == 1 for found in trims.values())  # passes through one insert stay together


def delays_of_units(job: Job, each: Pass) -> list[float]:
    """For each channel, where the correlation of the marker and its way through the units is largest.

    Worked out on a fine grid by zero-padding the spectrum, without the estimator that the program uses.
    """
    insert = job.insert_of(each)
    marker = make_marker(each.rate, 10 ** (insert.marker_dbfs / 20))
    frames = 8 * QUANTUM
    signal = np.zeros((frames, insert.channels))
    signal[each.rate // 50 : each.rate // 50 + len(marker)] = marker[:, np.newaxis]
    settings = job.snapshot_of(each).settings
    for element in insert.units:
        names = [element] if isinstance(element, str) else list(element)
        width = insert.channels // len(names)
        sides = []
        for side, name in enumerate(names):
            unit = job.rig.find_unit(name)
            assert unit is not None
            assert unit.model is not None
            parameters = unit_parameters(unit, settings.get(name, {}))
            processor = make_processor(unit.model.kind, each.rate, width, parameters)
            part = signal[:, side * width : (side + 1) * width]
            sides.append(
                np.concatenate([processor.process(part[at : at + QUANTUM]) for at in range(0, frames, QUANTUM)])
            )
        signal = np.concatenate(sides, axis=1)
    return [fine_delay(marker, signal[:, channel]) - each.rate // 50 for channel in range(insert.channels)]


def fine_delay(marker: NDArray[np.float64], heard: NDArray[np.float64]) -> float:
    """The lag of the largest magnitude of the correlation, to a fraction of 1/256 of a sample."""
    size = 1 << 15
    spectrum = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(marker, size))
    padded = np.zeros(size * OVERSAMPLING // 2 + 1, dtype=complex)
    padded[: len(spectrum)] = spectrum
    correlation = np.abs(np.fft.irfft(padded, size * OVERSAMPLING))
    return float(np.argmax(correlation[: size // 2 * OVERSAMPLING])) / OVERSAMPLING


def test_a_mono_stem_feeds_both_sides_of_a_two_channel_insert() -> None:
    mono = np.array([[0.5], [0.25]])
    assert np.array_equal(to_sends(mono, "stereo"), [[0.5, 0.5], [0.25, 0.25]])
    assert np.array_equal(to_sends(mono, "mid-side"), [[0.5, 0.0], [0.25, 0.0]])
