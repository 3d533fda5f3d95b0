"""A limit that is hard to the last bit: found on any material, and nothing else taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from printq.audio.processors import KINDS
from printq.errors import UnmeasurableError
from printq.measure.plateaus import PlateauFinder
from tests.audio.processors.signals import play
from tests.audio.processors.test_every_kind import ACTIVE
from tests.measure.signals import RATE, Signal, cut
from tests.sessions import make_music

QUANTUM = 2048


def find(sent: Signal, returned: Signal, noise: float = 0.0) -> list[tuple[int, float]]:
    finder = PlateauFinder(RATE, sent.shape[1])
    finder.add(sent, returned)
    return [(each.channel, each.level) for each in finder.result((noise,) * sent.shape[1])]


def noise(seed: int, rms: float = 0.2, seconds: float = 3.0) -> Signal:
    return rms * np.random.default_rng(seed).standard_normal((round(seconds * RATE), 1))


@pytest.mark.parametrize(
    ("sent", "over_db"),
    [
        pytest.param(noise(1), 12.0, id="white noise, 12 dB over"),
        pytest.param(make_music(3.0, 1), 6.0, id="music with noise in it, 6 dB over"),
        pytest.param(make_music(3.0, 1), 12.0, id="the same, 12 dB over"),
    ],
)
def test_a_hard_limit_is_found_on_noisy_material_too(sent: Signal, over_db: float) -> None:
    limit = float(np.abs(sent).max()) * 10 ** (-over_db / 20)
    assert find(sent, np.clip(sent, -limit, limit)) == [(0, pytest.approx(limit)), (0, pytest.approx(-limit))]


def test_noise_behind_the_limit_does_not_hide_it() -> None:
    sent = make_music(4.0, 1)
    returned = np.clip(4.0 * sent, -0.5, 0.5) + noise(3, 1e-5, 4.0)
    assert len(find(sent, returned, 1e-5)) == 2


def test_one_side_alone() -> None:
    sent = make_music(3.0, 1)
    assert [level for _, level in find(sent, np.minimum(sent, 0.1))] == [pytest.approx(0.1)]


@pytest.mark.parametrize("kind", KINDS)
def test_no_unit_at_its_active_setting_is_a_limit(kind: str) -> None:
    for seed in range(3):
        frames = 60 * QUANTUM
        sent = make_music(frames / RATE + 0.1, 1, seed=seed)[:frames] if seed else noise(5, 0.2, 3.0)[:frames]
        assert find(sent, play(kind, sent, **ACTIVE[kind])) == []


@pytest.mark.parametrize("hz", [20.0, 40.0, 110.0, 1000.0])
def test_slow_crests_are_flat_by_nature(hz: float) -> None:
    sent = 0.5 * np.sin(2 * np.pi * hz * np.arange(3 * RATE) / RATE)[:, np.newaxis]
    assert find(sent, 0.8 * sent) == []


def test_what_the_stem_has_itself_is_no_limit_of_the_unit() -> None:
    sent = np.clip(4.0 * make_music(3.0, 1), -0.5, 0.5)
    assert find(sent, 0.9 * sent) == []
    square = 0.4 * np.sign(np.sin(2 * np.pi * 110.0 * np.arange(3 * RATE) / RATE))[:, np.newaxis]
    assert find(square, square) == []


def test_silence_and_an_offset_are_nothing() -> None:
    silence = np.zeros((RATE, 2))
    assert find(silence, silence) == []
    assert find(silence, silence + 0.1) == []
    assert find(make_music(1.0, 2), silence + 0.1) == []


def test_cuts_do_not_matter_and_what_is_no_number_is_refused() -> None:
    sent = make_music(3.0, 1)
    returned = np.clip(4.0 * sent, -0.5, 0.5)
    finder = PlateauFinder(RATE, 1)
    for one, other in zip(cut(sent, [1000, 7]), cut(returned, [1000, 7]), strict=True):
        finder.add(one, other)
    whole = PlateauFinder(RATE, 1)
    whole.add(sent, returned)
    assert finder.result() == whole.result()
    with pytest.raises(UnmeasurableError):
        whole.add(sent, np.full_like(sent, np.nan))
