"""The pass engine: any number of takes at once on one stream, each on its channels and from its own start."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.files.soundfiles import TakeWriter
from printq.files.stems import StemPart, StemReader
from printq.measure.stimuli import make_marker
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.rig import Insert
from printq.run import Ending, Flight, PassEngine, Playout, PlayoutPlan
from printq.run.ring import RingBuffer
from tests.sessions import RATE, make_music, read_audio, write_wav

BLOCK = 512


def make_layout(frames: int, **options: float) -> PassLayout:
    insert = Insert.model_validate({"id": "wire", "units": ["cable"], "sends": [1], "returns": [1], "tail_s": 0.1})
    return PassLayout.make(Options.model_validate({"lead_s": 0.25, "gap_s": 0.15, **options}), insert, frames, RATE)


class Take:
    """A flight with its file, on given columns."""

    def __init__(
        self, folder: Path, name: str, start: int, column: int, layout: PassLayout | None = None, channels: int = 1
    ) -> None:
        self.stem_path = folder / f"{name}.wav"
        write_wav(self.stem_path, make_music(0.3, channels, seed=column + 1))
        self.sent = read_audio(self.stem_path)
        self.layout = layout or make_layout(len(self.sent))
        self.path = folder / f"{name}.take.wav"
        marker = make_marker(RATE, 0.03)
        self.plan = PlayoutPlan(self.layout, "mono" if channels == 1 else "stereo", RATE, 0.0, marker, True, False)
        self.stem = StemReader([StemPart(self.stem_path)], channels, len(self.sent))
        self.flight = Flight(
            name,
            Playout(self.plan, self.stem),
            TakeWriter(self.path, RATE, channels),
            list(range(column, column + channels)),
            list(range(column, column + channels)),
            start,
            self.layout.total,
            RATE,
            BLOCK,
        )


def run_stream(
    engine: PassEngine, frames: int, channels: int, *, glitch_at: int | None = None, skip_at: int | None = None
) -> np.ndarray:
    """A wire without latency: what is played is heard at once."""
    played = []
    first = 0
    while first < frames:
        out = np.zeros((BLOCK, channels), dtype=np.float32)
        engine.fill(out, first)
        if skip_at is None or not first <= skip_at < first + BLOCK:
            engine.capture(out, first, glitch_at is not None and first <= glitch_at < first + BLOCK)
        engine.service()
        played.append(out)
        first += BLOCK
    return np.concatenate(played)


def test_takes_roll_at_once_each_on_its_channels_and_from_its_own_start(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1, 2, 3, 4], [1, 2, 3, 4])
    takes = [Take(tmp_path, "a", 1000, 0), Take(tmp_path, "b", 7777, 1), Take(tmp_path, "c", 3, 2, channels=2)]
    for take in takes:
        engine.start(take.flight)
    run_stream(engine, 7777 + takes[1].layout.total + BLOCK, 4)
    assert {(flight.name, ending) for flight, ending in engine.land()} == {
        (name, Ending.COMPLETE) for name in ("a", "b", "c")
    }
    for take in takes:
        heard = read_audio(take.path)
        assert len(heard) == take.layout.total
        start = take.layout.material_at
        assert np.array_equal(heard[start : start + len(take.sent)], take.sent)
        assert not heard[: take.layout.lead].any()
        for at in (take.layout.head_marker_at, take.layout.tail_marker_at):
            assert np.allclose(heard[at : at + take.layout.marker, 0], take.plan.marker, atol=1e-7)


def test_a_glitch_fails_exactly_the_takes_in_the_air_and_fades_them_out(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1, 2], [1, 2])
    early, late = Take(tmp_path, "early", 0, 0), Take(tmp_path, "late", 60_000, 1)
    engine.start(early.flight)
    engine.start(late.flight)
    landed = []
    first = 0
    played = []
    while first < 60_000 + late.layout.total + BLOCK:
        out = np.zeros((BLOCK, 2), dtype=np.float32)
        engine.fill(out, first)
        engine.capture(out, first, first == 20 * BLOCK)
        engine.service()
        landed += engine.land()
        played.append(out)
        first += BLOCK
    assert {(flight.name, ending) for flight, ending in landed} == {
        ("early", Ending.GLITCH),
        ("late", Ending.COMPLETE),
    }
    stream = np.concatenate(played)[:, 0]
    assert not stream[30 * BLOCK : 60_000].any()
    # No step at the end: it may fall by no more than the music itself moves from sample to sample.
    assert np.abs(np.diff(stream)).max() <= np.abs(np.diff(early.sent[:, 0])).max()


def test_lost_frames_count_as_a_glitch_although_the_driver_says_nothing(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    engine.start(take.flight)
    run_stream(engine, take.layout.total + 8 * BLOCK, 1, skip_at=5000)
    assert engine.glitches == 1
    assert take.flight.glitches == 1


def test_an_abort_ramps_and_keeps_what_was_recorded(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    engine.start(take.flight)
    before = run_stream(engine, take.layout.material_at + 4 * BLOCK, 1)
    engine.abort()
    out = np.zeros((4 * BLOCK, 1), dtype=np.float32)
    for part in range(4):
        engine.fill(out[part * BLOCK : (part + 1) * BLOCK], len(before) + part * BLOCK)
    assert not out[BLOCK:].any()
    assert np.abs(np.diff(np.concatenate((before, out))[:, 0])).max() <= np.abs(np.diff(take.sent[:, 0])).max()
    assert [ending for _, ending in engine.land()] == [Ending.ABORTED]
    assert len(read_audio(take.path)) == len(before)


def test_a_buffer_that_runs_dry_is_a_glitch(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    take.flight._ahead = RingBuffer(BLOCK, 1)  # far too small, and nobody fills it again
    engine.start(take.flight)
    for first in range(0, 4 * BLOCK, BLOCK):
        out = np.zeros((BLOCK, 1), dtype=np.float32)
        engine.fill(out, first)
        engine.capture(out, first, False)
    assert take.flight.starved
    take.flight.ending()
    engine.fill(np.zeros((BLOCK, 1), dtype=np.float32), 4 * BLOCK)
    assert [ending for _, ending in engine.land()] == [Ending.GLITCH]


def test_the_settling_plays_the_opening_fades_out_and_leaves_the_material_untouched(tmp_path: Path) -> None:
    layout = make_layout(round(0.3 * RATE), settle_s=0.2)
    take = Take(tmp_path, "a", 0, 0, layout)
    rendered = Playout(take.plan, take.stem).render(layout.total)[:, 0]
    settle = rendered[layout.settle_at : layout.settle_at + layout.settle]
    assert np.array_equal(settle[: layout.settle // 2], take.sent[: layout.settle // 2, 0].astype(np.float32))
    assert abs(settle[-1]) < 1e-3
    start = layout.material_at
    assert np.array_equal(rendered[start : start + layout.material], take.sent[:, 0].astype(np.float32))


@pytest.mark.parametrize("size", [1, 7, 480, 48_000])
def test_a_playout_is_the_same_in_blocks_of_any_size(tmp_path: Path, size: int) -> None:
    take = Take(tmp_path, "a", 0, 0)
    whole = Playout(take.plan, take.stem).render(take.layout.total)
    in_parts = Playout(take.plan, take.stem)
    frames = min(take.layout.total, 3000 * size)
    parts = np.concatenate([in_parts.render(size) for _ in range(-(-frames // size))])
    assert np.array_equal(parts[:frames], whole[: len(parts[:frames])])


def test_the_level_of_a_return_falls_when_it_is_silent() -> None:
    engine = PassEngine(RATE, [1], [1, 2])
    loud = np.full((4800, 2), 0.5, dtype=np.float32)
    engine.capture(loud, 0, False)
    assert engine.mean_square([2]) == pytest.approx(0.25, rel=0.01)
    for first in range(4800, 48_000, 4800):
        engine.capture(np.zeros((4800, 2), dtype=np.float32), first, False)
    assert engine.mean_square([2]) < 1e-6


@given(
    size=st.integers(1, 64),
    steps=st.lists(st.tuples(st.booleans(), st.integers(0, 80)), max_size=60),
)
def test_a_ring_buffer_gives_back_what_went_in_in_order(size: int, steps: list[tuple[bool, int]]) -> None:
    ring = RingBuffer(size, 1)
    sent: list[float] = []
    got: list[float] = []
    count = 0
    for write, frames in steps:
        if write:
            block = np.arange(count, count + frames, dtype=np.float32)[:, np.newaxis]
            taken = ring.write(block)
            assert taken == min(frames, size - (len(sent) - len(got)))
            sent += block[:taken, 0].tolist()
            count += taken
        else:
            got += ring.read(frames)[:, 0].tolist()
    assert got == sent[: len(got)]
    assert ring.available == len(sent) - len(got)
