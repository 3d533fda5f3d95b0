"""The equaliser against the analog prototypes of the Audio EQ Cookbook (W3C Working Group Note, 2021).

The prototypes are polynomials in s, with the frequency normalised to the band's own. The bilinear transform
maps a digital frequency w to tan(w/2) / tan(w0/2) on their axis, which `scipy.signal.freqs` then evaluates;
so nothing here uses the coefficients of the digital filters.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import freqs

from .signals import RATE, response_db

HZ = np.array([20.0, 50.0, 80.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0, 8000.0, 12000.0, 20000.0])

Q_OF_SHELF = np.sqrt(0.5)


def analog_db(numerator, denominator, centre_hz):
    warped = np.tan(np.pi * HZ / RATE) / np.tan(np.pi * centre_hz / RATE)
    _, response = freqs(numerator, denominator, worN=warped)
    return 20.0 * np.log10(np.abs(response))


def bell(gain_db, q):
    a = 10.0 ** (gain_db / 40.0)
    return [1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0]


def low_shelf(gain_db):
    a = 10.0 ** (gain_db / 40.0)
    slope = np.sqrt(a) / Q_OF_SHELF
    return [a, a * slope, a * a], [a, slope, 1.0]


def high_shelf(gain_db):
    a = 10.0 ** (gain_db / 40.0)
    slope = np.sqrt(a) / Q_OF_SHELF
    return [a * a, a * slope, a], [1.0, slope, a]


@pytest.mark.parametrize("gain_db", [-18.0, -3.0, 6.0, 18.0])
@pytest.mark.parametrize(("hz", "q"), [(80.0, 0.5), (1000.0, 1.0), (8000.0, 4.0)])
@pytest.mark.parametrize("band", ["bell1", "bell2"])
def test_a_bell_has_the_cookbook_response(band, hz, q, gain_db):
    measured = response_db("parametric-equaliser", HZ, **{f"{band}_db": gain_db, f"{band}_hz": hz, f"{band}_q": q})
    assert measured == pytest.approx(analog_db(*bell(gain_db, q), hz), abs=1e-3)


@pytest.mark.parametrize("gain_db", [-12.0, 4.0])
def test_a_low_shelf_has_the_cookbook_response(gain_db):
    measured = response_db("parametric-equaliser", HZ, low_db=gain_db, low_hz=120.0)
    assert measured == pytest.approx(analog_db(*low_shelf(gain_db), 120.0), abs=1e-3)


@pytest.mark.parametrize("gain_db", [-12.0, 4.0])
def test_a_high_shelf_has_the_cookbook_response(gain_db):
    measured = response_db("parametric-equaliser", HZ, high_db=gain_db, high_hz=7000.0)
    assert measured == pytest.approx(analog_db(*high_shelf(gain_db), 7000.0), abs=1e-3)


def test_the_high_pass_is_a_butterworth_of_second_order():
    measured = response_db("parametric-equaliser", HZ, high_pass_hz=80.0)
    assert measured == pytest.approx(analog_db([1.0, 0.0, 0.0], [1.0, np.sqrt(2.0), 1.0], 80.0), abs=1e-3)
    assert measured[HZ == 80.0] == pytest.approx(-3.0103, abs=1e-3)


def test_bands_add_up_in_db_and_the_output_moves_all():
    together = response_db("parametric-equaliser", HZ, low_db=3.0, bell1_db=-4.0, high_db=2.0, output_db=-6.0)
    apart = [
        response_db("parametric-equaliser", HZ, **band)
        for band in ({"low_db": 3.0}, {"bell1_db": -4.0}, {"high_db": 2.0})
    ]
    assert together == pytest.approx(sum(apart) - 6.0, abs=1e-6)


def test_a_cut_undoes_the_same_boost():
    boost = response_db("parametric-equaliser", HZ, bell1_db=9.0, low_db=6.0, high_db=5.0)
    cut = response_db("parametric-equaliser", HZ, bell1_db=-9.0, low_db=-6.0, high_db=-5.0)
    assert boost + cut == pytest.approx(0.0, abs=1e-6)
