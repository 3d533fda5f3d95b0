"""Mixes worked out with numpy, and what the proof says of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printq.archive.sum_proof import Candidate, prove_mix
from printq.files.stems import StemPart, SummedFiles
from printq.models.proof import MixProof, SummedPart
from tests.sessions import RATE, make_music, write_wav

Signal = NDArray[np.float64]
SECONDS = 3.0
GAINS_DB = {"clarinet": 0.0, "viola": -3.0, "harp": -4.5}


class Prints:
    """Three prints on disk, and their sum by numpy."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stems: dict[str, Signal] = {}
        parts, summed = [], []
        for seed, name in enumerate(GAINS_DB, start=11):
            music = make_music(SECONDS, 2, seed=seed) * 0.5
            music = np.rint(music * 2**23) / 2**23
            self.stems[name] = music
            write_wav(folder / f"{name}.wav", music)
            parts.append(StemPart(folder / f"{name}.wav", GAINS_DB[name]))
            summed.append(SummedPart(stem=name, file=f"{name}.wav", gain_db=GAINS_DB[name], pan=0.0, offset_frames=0))
        frames = len(self.stems["harp"])
        self.candidate = Candidate("sum of mix", SummedFiles(tuple(parts), 2, frames), tuple(summed))

    def sum(self, **changes_db: float | None) -> Signal:
        """The mix, each stem at its gain and a change to it; None leaves it out."""
        mix = np.zeros((len(self.stems["harp"]), 2))
        for name, gain_db in GAINS_DB.items():
            change = changes_db.get(name, 0.0)
            if change is not None:
                mix += self.stems[name] * 10 ** ((gain_db + change) / 20)
        return mix

    def prove(self, mix: Signal, subtype: str = "PCM_24", rate: int = RATE) -> MixProof:
        """Write the mix, rounded to nearest, and hold it against the prints."""
        path = self.folder / "final.wav"
        if subtype == "PCM_16":
            import soundfile

            soundfile.write(path, np.rint(mix * 2**15).astype(np.int16), rate, subtype="PCM_16")
        else:
            write_wav(path, mix, rate, subtype)
        return prove_mix(path, "mixes/final.wav", [self.candidate])


@pytest.fixture(scope="module")
def prints(tmp_path_factory: pytest.TempPathFactory) -> Prints:
    return Prints(tmp_path_factory.mktemp("prints"))


def left_over_db(mix: Signal, reference: Signal) -> float:
    """Depth by definition: what is left once the reference is fitted by least squares, over the fitted reference."""
    gain = float((mix * reference).sum() / (reference**2).sum())
    return float(10 * np.log10(((mix - gain * reference) ** 2).sum() / ((gain * reference) ** 2).sum()))


def test_the_sum_itself_is_the_mix_sample_for_sample(prints: Prints) -> None:
    proof = prints.prove(prints.sum())
    assert proof.verdict == "same", proof.summary
    assert proof.differing_samples == 0
    assert proof.uncovered == ()


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_what_the_word_length_allows_is_reached(prints: Prints, subtype: str, bits: int) -> None:
    """Mean square of rounding: a twelfth of a step squared (Bennett 1948)."""
    mix = prints.sum()
    proof = prints.prove(mix, subtype)
    rounding = 10 * np.log10((2.0 ** (1 - bits)) ** 2 / 12 / np.mean(mix**2))
    assert proof.word_length_allows_db == pytest.approx(rounding, abs=0.01)
    assert proof.null is not None
    assert proof.null.depth_db == pytest.approx(rounding, abs=0.5)
    assert proof.verdict == "same"


def test_dither_is_no_difference(prints: Prints) -> None:
    """TPDF dither of two steps leaves 4.77 dB more than rounding alone, and up to two steps of difference."""
    rng = np.random.default_rng(3)
    mix = prints.sum()
    dither = (rng.random(mix.shape) - rng.random(mix.shape)) / 2**15
    proof = prints.prove(mix + dither, "PCM_16")
    assert proof.verdict == "explained", proof.summary
    assert proof.largest_difference_lsb in (1, 2)
    assert proof.null is not None
    assert proof.null.depth_db == pytest.approx((proof.word_length_allows_db or 0.0) + 4.77, abs=0.3)


def test_another_gain_and_place_are_found_and_told(prints: Prints) -> None:
    mix = np.concatenate((np.zeros((441, 2)), prints.sum() * 10 ** (-2.5 / 20)))
    proof = prints.prove(mix)
    assert proof.verdict == "explained", proof.summary
    assert proof.null is not None
    assert proof.null.delay_samples == 441
    assert proof.null.gain_db == pytest.approx(-2.5, abs=1e-3)
    assert "2.50 dB softer" in proof.summary
    assert "441 samples later" in proof.summary
    assert proof.differing_samples is None
    assert [(each.of, each.seconds, each.peak_dbfs) for each in proof.uncovered] == [("mix", 441 / RATE, None)]


def test_a_mix_turned_over_is_told(prints: Prints) -> None:
    proof = prints.prove(-prints.sum())
    assert proof.verdict == "explained"
    assert proof.null is not None
    assert proof.null.polarity == -1
    assert "turned over" in proof.summary


def test_one_more_stem_is_described_by_where_it_is(prints: Prints) -> None:
    """A tone at 3150 Hz in the second second: depth by the definition, band and time by how it was made."""
    mix = prints.sum()
    time = np.arange(RATE) / RATE
    tone = 0.05 * np.sin(2 * np.pi * 3150 * time) * np.hanning(RATE)
    more = np.zeros_like(mix)
    more[RATE : 2 * RATE] = tone[:, None]
    proof = prints.prove(mix + more)
    assert proof.verdict == "in-part"
    assert proof.null is not None
    assert proof.null.depth_db == pytest.approx(left_over_db(mix + more, mix), abs=0.1)
    assert "strongest at 3150 Hz, and from 0:01 to 0:02" in proof.summary
    assert not proof.levels
    loudest = max(proof.null.bands, key=lambda band: band.residual_dbfs or -400.0)
    assert loudest.hz == 3150
    by_second = [moment.residual_dbfs for moment in proof.null.over_time]
    assert by_second[1] == pytest.approx(10 * np.log10(np.mean(tone**2)), abs=0.2)


def test_a_print_that_is_not_in_the_mix_is_named(prints: Prints) -> None:
    mix = prints.sum(viola=None)
    proof = prints.prove(mix)
    assert proof.verdict == "in-part"
    assert proof.null is not None
    assert proof.null.depth_db == pytest.approx(left_over_db(mix, prints.sum()), abs=0.3)
    assert "viola is not in it" in proof.summary
    assert "clarinet" not in proof.summary.split("it to within", 1)[1]


def test_other_fader_positions_are_read_off(prints: Prints) -> None:
    proof = prints.prove(prints.sum(viola=2.0, harp=-6.0))
    assert proof.verdict == "in-part"
    levels = {level.stem: level.gain_db for level in proof.levels}
    assert levels["clarinet"] == pytest.approx((0.0, 0.0), abs=0.01)
    assert levels["viola"] == pytest.approx((2.0, 2.0), abs=0.01)
    assert levels["harp"] == pytest.approx((-6.0, -6.0), abs=0.01)
    assert proof.levels_depth_db is not None
    assert proof.levels_depth_db < -90.0


def test_a_print_panned_to_one_side_does_not_hide_the_levels_of_others(tmp_path: Path) -> None:
    """Left only, as a balance at -1: it has no level on the right."""
    stems = [make_music(SECONDS, 2, seed=seed) * 0.5 for seed in (21, 22)]
    for number, music in enumerate(stems):
        write_wav(tmp_path / f"{number}.wav", music)
    parts = tuple(StemPart(tmp_path / f"{number}.wav", pan=pan) for number, pan in enumerate((-1.0, 0.0)))
    summed = tuple(
        SummedPart(stem=name, file=f"{number}.wav", gain_db=0.0, pan=pan, offset_frames=0)
        for number, (name, pan) in enumerate((("viola", -1.0), ("harp", 0.0)))
    )
    read = [np.rint(music * 2**23) / 2**23 for music in stems]
    write_wav(tmp_path / "final.wav", read[0] * [1.0, 0.0] + read[1] * 10 ** (-6 / 20))
    candidate = Candidate("sum", SummedFiles(parts, 2, len(stems[0])), summed)
    proof = prove_mix(tmp_path / "final.wav", "final.wav", [candidate])
    assert proof.summary.endswith("harp is 6.00 dB softer.")
    assert proof.levels[0].gain_db == (pytest.approx(0.0, abs=0.01), None)


def test_a_longer_mix_and_a_shorter_one_are_told_apart_from_a_whole_one(prints: Prints) -> None:
    mix = prints.sum()
    longer = prints.prove(np.concatenate((mix, np.full((4800, 2), 0.25))))
    assert longer.verdict == "in-part"
    assert [(each.of, each.start_s, each.seconds) for each in longer.uncovered] == [("mix", SECONDS, 0.1)]
    assert longer.uncovered[0].peak_dbfs == pytest.approx(-12.04, abs=0.01)
    shorter = prints.prove(mix[:-4800])
    assert shorter.verdict == "explained"
    assert [(each.of, each.start_s) for each in shorter.uncovered] == [("prints", SECONDS - 0.1)]
    assert "The prints go beyond the mix" in shorter.summary


def test_other_music_is_not_found(prints: Prints) -> None:
    other = np.random.default_rng(1).standard_normal((RATE * 3, 2)) * 0.1
    proof = prints.prove(other)
    assert proof.verdict == "not-found", proof.summary
    assert proof.null is None


def test_another_rate_is_not_compared_and_says_so(prints: Prints) -> None:
    proof = prints.prove(prints.sum(), rate=44_100)
    assert proof.verdict == "not-compared"
    assert "44100 Hz and the prints 48000 Hz" in proof.summary


def test_the_print_that_a_mix_is_a_copy_of_is_named(prints: Prints) -> None:
    """Of a sum and a print of it, the one that the mix nulls deepest with."""
    bus = np.rint(np.tanh(prints.sum() * 2) * 2**23) / 2**23
    write_wav(prints.folder / "mix.bus.v1.wav", bus)
    part = SummedPart(stem="mix", file="prints/mix.bus.v1.wav", gain_db=0.0, pan=0.0, offset_frames=0)
    files = SummedFiles((StemPart(prints.folder / "mix.bus.v1.wav"),), 2, len(bus))
    path = prints.folder / "final.wav"
    write_wav(path, bus)
    proof = prove_mix(path, "final.wav", [prints.candidate, Candidate("mix/bus", files, (part,), is_print=True)])
    assert proof.verdict == "same"
    assert proof.compared_with == "mix/bus"
    assert [name for name, _ in proof.others] == ["sum of mix"]
    assert "final.wav is the print of mix/bus, sample for sample" in proof.summary
