"""Sessions on a real driver: one mono insert a lane of the rack, a stem for each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tomlkit

from printq.audio.hardware import HardwarePort
from printq.intake import load_job
from printq.spool.operator import AssumingOperator
from printq.spool.outcomes import RunReport
from printq.spool.session import run_session
from tests.sessions import RATE, Recording, Signal, make_music, write_wav


class JackSession:
    """A session folder; `stem-1` goes through `lane-1` on send and return 1, and so on."""

    def __init__(self, folder: Path, lanes: int, seconds: float = 2.0, block: int = 1024) -> None:
        self.folder = folder
        self.lanes = lanes
        self.rig: dict[str, Any] = {
            "format": "printq-rig/1",
            "interface": {
                "driver": "portaudio",
                "device": "rack",
                "rate": RATE,
                "block": block,
                "sends": lanes,
                "returns": lanes,
                "reserved_sends": [],
            },
            "unit": [{"id": f"unit-{n}", "label": f"Line stage {n}"} for n in range(1, lanes + 1)],
            "insert": [
                {"id": f"lane-{n}", "units": [f"unit-{n}"], "sends": [n], "returns": [n], "tail_s": 0.1}
                for n in range(1, lanes + 1)
            ],
        }
        self.job: dict[str, Any] = {
            "format": "printq-job/1",
            "title": "Waltz on a real driver",
            "rig": "rig.toml",
            "snapshots": ["snapshots.toml"],
            # 0.4 s of lead: enough to measure noise; gaps longer than the loop.
            "options": {"lead_s": 0.4, "gap_s": 0.4, "retries": 3, "glitch_retries": 20},
            "limits": {"bypassed": "off"},
            "stem": [
                {
                    "id": f"stem-{n}",
                    "file": f"dry/stem-{n}.wav",
                    "through": [{"insert": f"lane-{n}", "snapshot": f"as-is-{n}"}],
                }
                for n in range(1, lanes + 1)
            ],
        }
        self.snapshots: dict[str, Any] = {
            "format": "printq-snapshots/1",
            "snapshot": [{"id": f"as-is-{n}", "insert": f"lane-{n}"} for n in range(1, lanes + 1)],
        }
        for n in range(1, lanes + 1):
            write_wav(folder / f"dry/stem-{n}.wav", self.stem(n, seconds))
        self.write()

    @staticmethod
    def stem(number: int, seconds: float) -> Signal:
        return make_music(seconds, 1, seed=number)

    def write(self) -> JackSession:
        for name in ("rig", "job", "snapshots"):
            (self.folder / f"{name}.toml").write_text(tomlkit.dumps(getattr(self, name)), encoding="utf-8")
        return self

    def run(self, listener: Recording | None = None, workers: int = 1) -> RunReport:
        job = load_job(self.folder)
        return run_session(
            job,
            lambda restarts: HardwarePort(job.rig.interface),
            AssumingOperator(),
            listener or Recording(),
            workers=workers,
        )
