"""A small session that is in order, to be broken one edit at a time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE = 48_000

RIG = """\
format = "printq-rig/1"
name = "Lamp-room rack"

[interface]
driver = "simulated"
rate = 48000
sends = 8
returns = 6
reserved_sends = [7, 8]
full_scale_send_dbu = 20.0

[[unit]]
id = "opto"
label = "Opto compressor"
max_in_dbu = 24

[[unit.control]]
id = "reduction"
label = "Peak reduction"
kind = "knob"
range = [0, 100]
measure = "%"

[[unit.control]]
id = "mode"
kind = "switch"
positions = ["compress", "limit"]

[[unit.control]]
id = "meter"
kind = "switch"
positions = ["reduction", "output"]
fixed = "output"

[unit.model]
kind = "opto-compressor"

[unit.model.controls]
reduction = { drives = "threshold_db", low = 10.0, high = -40.0 }
mode = { drives = "ratio", values = [3.0, 10.0] }

[[unit]]
id = "valve-eq"

[[unit.control]]
id = "width"
kind = "knob"
range = ["7:00", "5:00"]
measure = "clock"

[[unit.control]]
id = "low-hz"
kind = "stepped"
positions = [30, 60, 100]
measure = "Hz"

[[unit]]
id = "tape"
channels = 2
recall = "preset"

[unit.model]
kind = "tape-saturation"

[unit.model.presets]
"reed warmth" = { speed_cm_s = 38.1 }

[[insert]]
id = "solo"
units = ["opto", "valve-eq"]
sends = [1]
returns = [1]
tail_s = 0.25

[[insert]]
id = "reel"
units = ["tape"]
mode = "stereo"
sends = [2, 3]
returns = [2, 3]
tail_s = 0.5
"""

SNAPSHOTS = """\
format = "printq-snapshots/1"

[[snapshot]]
id = "solo-soft"
insert = "solo"
note = "Backed off after the first playback."

[snapshot.settings.opto]
reduction = 45
mode = "compress"

[snapshot.settings.valve-eq]
width = "12:30"
low-hz = 60

[[snapshot]]
id = "solo-firm"
insert = "solo"

[snapshot.settings.opto]
reduction = 60
mode = "limit"

[snapshot.settings.valve-eq]
width = "7:00"
low-hz = 30

[[snapshot]]
id = "reel-warm"
insert = "reel"

[snapshot.settings.tape]
preset = "reed warmth"
"""

JOB = """\
format = "printq-job/1"
title = "Lighthouse waltz"
rig = "rig.toml"
snapshots = ["snapshots.toml"]

[options]
lead_s = 0.5

[limits]
noise = { warn = -75, fail = -55 }

[[stem]]
id = "clarinet"
file = "dry/clarinet.wav"
through = [{ insert = "solo", snapshot = "solo-soft" }]

[[stem]]
id = "harp"
file = "dry/harp.wav"
through = [
  { insert = "reel", snapshot = "reel-warm" },
  { insert = "reel", snapshot = "reel-warm", send_db = -3.0 },
]

[[stem]]
id = "mix"
sum_of = ["clarinet", { stem = "harp", gain_db = -1.5, pan = 0 }]
through = [{ insert = "reel", snapshot = "reel-warm" }]
"""

STEMS = {"clarinet": (1, 4800), "harp": (2, 2400)}
"""Dry files: channels and frames."""


class SmallSession:
    """A session in a folder: two dry files, a sum, three units, two inserts."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        for name, text in (("rig.toml", RIG), ("snapshots.toml", SNAPSHOTS), ("job.toml", JOB)):
            self.write(name, text)
        for name, (channels, frames) in STEMS.items():
            write_wave(folder / "dry" / f"{name}.wav", channels, frames)

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, encoding="utf-8", newline="\n")

    def read(self, name: str) -> str:
        return (self.folder / name).read_text(encoding="utf-8")

    def replace(self, name: str, old: str, new: str) -> None:
        """Change one place; `old` must be there exactly once."""
        text = self.read(name)
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {name}"
        self.write(name, text.replace(old, new))

    def line_of(self, name: str, words: str) -> int:
        """The line that holds these words; they must be on one line alone."""
        found = [number for number, line in enumerate(self.read(name).splitlines(), 1) if words in line]
        assert len(found) == 1, f"{words!r} is on the lines {found} of {name}"
        return found[0]

    def listing(self) -> dict[str, bytes]:
        """Every file and its content."""
        return {
            path.relative_to(self.folder).as_posix(): path.read_bytes()
            for path in sorted(self.folder.rglob("*"))
            if path.is_file()
        }


def write_wave(path: Path, channels: int = 1, frames: int = 4800, rate: int = RATE) -> Path:
    """A quiet sine as 24-bit WAV."""
    path.parent.mkdir(parents=True, exist_ok=True)
    tone = 0.1 * np.sin(2 * np.pi * 440.0 * np.arange(frames) / rate)
    soundfile.write(path, np.tile(tone[:, None], (1, channels)), rate, subtype="PCM_24")
    return path


def write_broadcast_wave(path: Path, time_reference: int, channels: int = 1, frames: int = 4800) -> Path:
    """The same with a time reference; the chunk is laid out here by EBU Tech 3285, not by the program under test."""
    write_wave(path, channels, frames)
    chunk = bytearray(602)
    chunk[338:346] = time_reference.to_bytes(8, "little")  # after 256 + 32 + 32 + 10 + 8 bytes of texts
    chunk[346:348] = (1).to_bytes(2, "little")
    data = path.read_bytes() + b"bext" + len(chunk).to_bytes(4, "little") + chunk
    path.write_bytes(data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:])
    return path
