"""The marker."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.stimuli import make_marker

RATES = [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000]


@pytest.mark.parametrize("rate", RATES)
def test_it_lasts_a_tenth_of_a_second_at_the_peak_asked_for(rate: int) -> None:
    marker = make_marker(rate, 0.0316)
    assert marker.shape == (round(0.1 * rate),)
    assert np.abs(marker).max() == pytest.approx(0.0316, rel=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_its_energy_lies_between_500_hz_and_the_lower_of_12_khz_and_a_quarter_of_the_rate(rate: int) -> None:
    marker = make_marker(rate, 1.0)
    power = np.abs(np.fft.rfft(marker, 8 * len(marker))) ** 2
    hz = np.fft.rfftfreq(8 * len(marker), 1.0 / rate)
    inside = (hz >= 450.0) & (hz <= min(12_000.0, rate / 4) + 50.0)
    assert power[inside].sum() / power.sum() > 0.995
    # It stays inaudible to a mains hum's neighbourhood, and does not click.
    assert power[hz < 120.0].max() < 1e-5 * power.max()


@pytest.mark.parametrize("rate", RATES)
def test_it_begins_and_ends_without_a_click(rate: int) -> None:
    marker = make_marker(rate, 1.0)
    assert abs(marker[0]) < 0.001
    assert abs(marker[-1]) < 0.001


@pytest.mark.parametrize("rate", RATES)
def test_its_autocorrelation_has_one_clear_peak(rate: int) -> None:
    marker = make_marker(rate, 1.0)
    fine = 16
    transform = 2 * len(marker)
    spectrum = np.abs(np.fft.rfft(marker, transform)) ** 2
    correlation = np.fft.irfft(spectrum, fine * transform)[: fine * len(marker)]
    correlation = np.abs(correlation / correlation[0])
    # The lobe beside the peak, of the other sign, is the band's own: 0.41 of it (0.68 at 8 kHz, whose band is narrow).
    lobes = correlation[1:-1][(correlation[1:-1] > correlation[:-2]) & (correlation[1:-1] >= correlation[2:])]
    assert lobes.max() < (0.42 if rate >= 44_100 else 0.7)
    # Further away there is nothing that noise or an equaliser could lift over the peak.
    assert correlation[round(0.002 * fine * rate) :].max() < 0.12
    assert correlation[round(0.004 * fine * rate) :].max() < 0.025
