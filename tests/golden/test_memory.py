"""Memory does not grow with the length of a stem."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.sessions import RATE, SmallSession, make_music

MINUTES = int(os.environ.get("PRINTQ_LONG_STEM_MINUTES", "10"))
"""The long stem; an hour takes about two minutes to print: PRINTQ_LONG_STEM_MINUTES=60."""
ALLOWED_MB = 20.0

PEAK = """
import os
import sys
from pathlib import Path
from printq.cli.app import run_command_line
sys.argv = ["printq", "run", sys.argv[1], "--yes", "--workers", "0"]
status = run_command_line()
# Not getrusage: its maximum is inherited from the process that started this one.
peak = 0
for status_of in Path("/proc").glob("[0-9]*/status"):
    lines = dict(line.split(":", 1) for line in status_of.read_text().splitlines())
    # Those who help are started by this one, and still there.
    if os.getpid() in (int(lines["Pid"]), int(lines["PPid"])) and "VmHWM" in lines:
        peak += int(lines["VmHWM"].split()[0])
print("PEAK", peak)
sys.exit(status)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read from /proc")
def test_a_long_stem_needs_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    peaks = [peak_of_a_run(tmp_path / f"{minutes}", minutes) for minutes in (1, MINUTES)]
    assert peaks[1] - peaks[0] < ALLOWED_MB, f"1 min {peaks[0]:.1f} MB, {MINUTES} min {peaks[1]:.1f} MB"


def peak_of_a_run(folder: Path, minutes: int) -> float:
    """Peak resident memory in MB of printing one stem: of the process that prints and the one that helps it measure."""
    folder.mkdir()
    session = SmallSession(folder, seconds=0.2)
    music = np.rint(make_music(6.0) * 2**23).astype(np.int32) << 8
    with soundfile.SoundFile(folder / "dry/clarinet.wav", "w", RATE, 1, subtype="PCM_24") as file:
        for _ in range(10 * minutes):
            file.write(music)
    session.keep_stems("clarinet")
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(folder)], capture_output=True, text=True, timeout=1800, check=True
    )
    print(done.stdout)
    return int(done.stdout.rsplit("PEAK", 1)[1]) / 1024
