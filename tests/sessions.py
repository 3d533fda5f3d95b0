"""A small session on disk that a test can change: three stems, a rig of simple units, real files throughout."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import tomlkit
from numpy.typing import NDArray

from printq.audio.simulated import SimulatedRack
from printq.intake import load_job
from printq.models.passes import Job
from printq.spool.driver import Driver
from printq.spool.operator import AssumingOperator, Operator, Rolling
from printq.spool.outcomes import RunReport
from printq.spool.session import run_session

RATE = 48_000
Signal = NDArray[np.float64]


def make_music(seconds: float, channels: int = 1, rate: int = RATE, seed: int = 1) -> Signal:
    """Something with attacks, tones and rests, on the 24-bit grid, peaks near -8 dBFS."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate)
    time = np.arange(frames) / rate
    signal = np.zeros((frames, channels))
    for note in range(max(1, int(seconds * 3))):
        start = note / 3.0 + 0.02
        since = np.maximum(time - start, 0.0)
        envelope = np.exp(-5.0 * since) * (time >= start) * np.minimum(1.0, since / 0.003)
        pitch = 220.0 * 2 ** (rng.integers(0, 18) / 12.0)
        for channel in range(channels):
            tone = np.sin(2 * np.pi * pitch * since) + 0.4 * np.sin(4 * np.pi * pitch * since)
            signal[:, channel] += (0.6 + 0.4 * rng.random()) * envelope * tone
            signal[:, channel] += 0.2 * envelope * rng.standard_normal(frames)
    signal *= 0.4 / np.abs(signal).max()
    return np.asarray(np.rint(signal * 2**23) / 2**23)


def write_wav(path: Path, signal: Signal, rate: int = RATE, subtype: str = "PCM_24") -> None:
    """A WAV file, exact for samples on the 24-bit grid."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if subtype == "PCM_24":
        soundfile.write(path, np.rint(signal * 2**23).astype(np.int32) << 8, rate, subtype="PCM_24")
    else:
        soundfile.write(path, signal, rate, subtype=subtype)


def read_audio(path: Path) -> Signal:
    """All samples of a file, shape (frames, channels)."""
    samples: Signal = soundfile.read(path, dtype="float64", always_2d=True)[0]
    return samples


RIG: dict[str, Any] = {
    "format": "printq-rig/1",
    "interface": {
        "driver": "simulated",
        "rate": RATE,
        "sends": 8,
        "returns": 8,
        "reserved_sends": [8],
        "simulation": {"seed": 5, "latency_samples": 187.0, "noise_dbfs": -400.0, "restart_jitter_samples": 0},
    },
    "unit": [
        {
            "id": "eq",
            "label": "Parametric equaliser",
            "control": [
                {"id": "low", "kind": "knob", "range": [-12, 12], "measure": "dB", "acts_on": "gain"},
                {"id": "range", "kind": "switch", "positions": ["narrow", "wide"], "fixed": "wide"},
            ],
            "model": {"kind": "parametric-equaliser", "controls": {"low": {"drives": "low_db"}}},
        },
        {"id": "cable", "label": "Cable"},
        {"id": "pair", "label": "Two-channel line stage", "channels": 2},
    ],
    "insert": [
        {"id": "tone", "units": ["eq"], "sends": [1], "returns": [1], "tail_s": 0.1},
        {"id": "wire", "units": ["cable"], "sends": [2], "returns": [2], "tail_s": 0.1},
        {"id": "bus", "units": ["pair"], "mode": "stereo", "sends": [3, 4], "returns": [3, 4], "tail_s": 0.1},
    ],
}

SNAPSHOTS: dict[str, Any] = {
    "format": "printq-snapshots/1",
    "snapshot": [
        {"id": "warm", "insert": "tone", "note": "as on the first night", "settings": {"eq": {"low": 3.0}}},
        {"id": "thin", "insert": "tone", "settings": {"eq": {"low": -3.0}}},
        {"id": "through", "insert": "wire"},
        {"id": "glue", "insert": "bus"},
    ],
}

JOB: dict[str, Any] = {
    "format": "printq-job/1",
    "title": "Small waltz",
    "rig": "rig.toml",
    "snapshots": ["snapshots.toml"],
    "options": {"lead_s": 0.3, "gap_s": 0.2},
    "stem": [
        {"id": "clarinet", "file": "dry/clarinet.wav", "through": [{"insert": "tone", "snapshot": "warm"}]},
        {
            "id": "viola",
            "file": "dry/viola.wav",
            "through": [{"insert": "tone", "snapshot": "thin"}, {"insert": "wire", "snapshot": "through"}],
        },
        {"id": "harp", "file": "dry/harp.wav", "through": [{"insert": "bus", "snapshot": "glue"}]},
        {
            "id": "mix",
            "sum_of": ["clarinet", {"stem": "viola", "gain_db": -3.0}, {"stem": "harp", "gain_db": -3.0}],
            "through": [{"insert": "bus", "snapshot": "glue", "send_db": -6.0}],
        },
    ],
}


class SmallSession:
    """Files of a session; change `rig`, `snapshots`, `job` and call `write`."""

    def __init__(self, folder: Path, seconds: float = 1.0, rate: int = RATE) -> None:
        self.folder = folder
        self.rig = copy.deepcopy(RIG)
        self.rig["interface"]["rate"] = rate
        self.snapshots = copy.deepcopy(SNAPSHOTS)
        self.job = copy.deepcopy(JOB)
        for seed, (name, channels) in enumerate((("clarinet", 1), ("viola", 1), ("harp", 2)), start=1):
            write_wav(folder / f"dry/{name}.wav", make_music(seconds, channels, rate, seed), rate)
        self.write()

    @property
    def simulation(self) -> dict[str, Any]:
        simulation: dict[str, Any] = self.rig["interface"]["simulation"]
        return simulation

    def insert(self, name: str) -> dict[str, Any]:
        return next(insert for insert in self.rig["insert"] if insert["id"] == name)

    def stem(self, name: str) -> dict[str, Any]:
        return next(stem for stem in self.job["stem"] if stem["id"] == name)

    def keep_stems(self, *names: str) -> None:
        self.job["stem"] = [stem for stem in self.job["stem"] if stem["id"] in names]
        self.write()

    def write(self) -> SmallSession:
        for name in ("rig", "snapshots", "job"):
            (self.folder / f"{name}.toml").write_text(tomlkit.dumps(getattr(self, name)), encoding="utf-8")
        return self

    def load(self) -> Job:
        return load_job(self.folder)

    def run(
        self,
        *,
        operator: Operator | None = None,
        listener: Recording | None = None,
        only: Iterable[str] | None = None,
        on_driver: Callable[[Driver], None] | None = None,
        rack_untouched: bool = False,
        workers: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> RunReport:
        """Run on the simulated rack, measuring in this process."""
        job = self.load()
        return run_session(
            job,
            lambda restarts: SimulatedRack(job.rig, restarts),
            operator or AssumingOperator(),
            listener or Recording(),
            workers=workers,
            only=frozenset(only) if only is not None else None,
            on_driver=on_driver,
            rack_untouched=rack_untouched,
            clock=clock,
        )

    def files(self) -> dict[str, bytes]:
        """All files outside `.printq`, by name, with what is in them."""
        return {
            path.relative_to(self.folder).as_posix(): path.read_bytes()
            for path in sorted(self.folder.rglob("*"))
            if path.is_file() and ".printq" not in path.parts
        }

    def prints(self) -> list[str]:
        """Names of all prints."""
        return [name for name in self.files() if ".v" in name and name.endswith(".wav")]


class Recording:
    """A listener that remembers."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str | None, str]] = []

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        self.told.append((kind, pass_id, text))

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        pass

    def kinds(self, pass_id: str) -> list[str]:
        return [kind for kind, name, _ in self.told if name == pass_id]
