"""Takes on a real stream, for the tests of this folder."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from printq.audio.hardware import HardwarePort
from printq.files.soundfiles import TakeWriter
from printq.files.stems import StemPart, StemReader
from printq.measure.stimuli import make_marker
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.rig import Insert, Interface
from printq.run import Ending, Flight, PassEngine, Playout, PlayoutPlan
from printq.run.service import ServiceThread
from tests.sessions import make_music, read_audio, write_wav

RATE = 48_000
PATIENCE_S = 20.0


def make_interface(
    channels: int = 1, *, device: str = "rack", block: int = 0, reserved: Sequence[int] = ()
) -> Interface:
    """An interface of a rig file."""
    return Interface.model_validate(
        {
            "driver": "portaudio",
            "device": device,
            "rate": RATE,
            "block": block,
            "sends": channels,
            "returns": channels,
            "reserved_sends": list(reserved),
        }
    )


class WireTake:
    """A take of some music on one lane."""

    def __init__(self, folder: Path, lane: int, seconds: float = 0.6) -> None:
        name = f"lane{lane}"
        stem = folder / f"{name}.wav"
        write_wav(stem, make_music(seconds, 1, seed=lane + 1))
        frames = len(read_audio(stem))
        insert = Insert.model_validate({"id": "wire", "units": ["cable"], "sends": [1], "returns": [1], "tail_s": 0.1})
        options = Options.model_validate({"lead_s": 0.2, "gap_s": 0.1})
        self.layout = PassLayout.make(options, insert, frames, RATE)
        marker = make_marker(RATE, 0.03)
        self.plan = PlayoutPlan(self.layout, "mono", RATE, 0.0, marker, True, False)
        self.stem = stem
        self.path = folder / f"{name}.take.wav"
        self.flight = Flight(
            name,
            Playout(self.plan, StemReader([StemPart(stem)], 1, frames)),
            TakeWriter(self.path, RATE, 1),
            [lane],
            [lane],
            0,  # `roll` says when
            self.layout.total,
            RATE,
        )

    def sent(self) -> np.ndarray:
        """What it plays, from its first frame to its last."""
        with StemReader([StemPart(self.stem)], 1, self.layout.material) as stem:
            return Playout(self.plan, stem).render(self.layout.total)[:, 0]


def launch(port: HardwarePort, engine: PassEngine, takes: Sequence[WireTake]) -> None:
    """Put takes in the air, all from the same frame on."""
    for take in takes:
        take.flight.service()
    start = port.played_frames + RATE // 4
    for take in takes:
        take.flight.start = start
        engine.start(take.flight)


def roll(
    port: HardwarePort, engine: PassEngine, takes: Sequence[WireTake], launched: Callable[[], object] = lambda: None
) -> dict[str, Ending]:
    """Put takes in the air and wait until all have landed; how they ended."""
    endings: dict[str, Ending] = {}
    with ServiceThread(engine) as service:
        launch(port, engine, takes)
        launched()
        end = time.monotonic() + PATIENCE_S
        while engine.in_the_air() and time.monotonic() < end:
            port.advance(0.1)
            service.check()
            endings |= {flight.name: ending for flight, ending in engine.land()}
    return endings


def open_wires(interface: Interface, channels: Sequence[int]) -> tuple[HardwarePort, PassEngine]:
    """A running stream with an engine on these channels."""
    engine = PassEngine(interface.rate, channels, channels)
    port = HardwarePort(interface)
    port.open(engine, channels, channels)
    return port, engine


def find_shift(sent: np.ndarray, heard: np.ndarray) -> int:
    """How many frames later what was sent is heard: from the first sound of either."""
    return int(np.flatnonzero(heard)[0] - np.flatnonzero(sent)[0])
