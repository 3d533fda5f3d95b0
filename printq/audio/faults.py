"""Things that go wrong on purpose in a simulated take: for rehearsals and for tests of the checks.

Each fault is tied to a pass and, where it says so, to one take of it. Faults act on what comes back,
after the units and before the converter. Times count from the first frame of the take as played.

    glitch    the driver reports a lost block at `at_s`; the samples are intact
    slip      `amount` samples are lost at `at_s` (default 1)
    repeat    `amount` samples are heard twice at `at_s` (default 64)
    cut       silence for `amount` seconds from `at_s` on (default 0.04)
    dead      nothing comes back but the converter's noise
    inverted  the polarity is turned
    gain      level changed by `amount` dB from `at_s` on (default -6)
    clip      hard limit at `amount` of full scale (default 1: full scale, after 12 dB of gain)
    noise     extra noise of `amount` dBFS RMS (default -50)
    hum       50 Hz and its third harmonic, together `amount` dBFS RMS (default -50)
    dc        an offset of `amount` dBFS (default -30)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from printq.models.rig import Fault
from printq.units import db_to_ratio

__all__ = ["MAX_SLIP", "TakeFaults"]

MAX_SLIP = 4096
"""Most samples that a fault may lose or repeat; the simulated rack keeps this much in hand."""
NEVER = 1 << 62

Signal = NDArray[np.float64]


class TakeFaults:
    """The faults of one take, applied to its returns in the order in which time passes."""

    def __init__(
        self,
        faults: Sequence[Fault],
        pass_id: str,
        take: int,
        rate: int,
        seed: Sequence[int],
        mains_hz: float = 50.0,
    ) -> None:
        mine = [f for f in faults if f.pass_ == pass_id and f.take in (None, take)]
        self.jumps = [f for f in mine if f.kind in ("slip", "repeat")]
        """Faults that lose or repeat samples."""
        self._pass_id, self._take = pass_id, take
        self._rate = rate
        self._mains_hz = mains_hz
        self._steady = [f for f in mine if f.kind not in ("glitch", "slip", "repeat")]
        self._ranges = self._plan_jumps(sorted(self.jumps, key=_start_of))
        self._rng = np.random.default_rng([*seed, 7])
        self.glitch_frames = [round(f.at_s * rate) for f in mine if f.kind == "glitch"]

    def only_jumps(self) -> TakeFaults:
        """The lost and repeated samples alone, for another channel of the same take."""
        return TakeFaults(self.jumps, self._pass_id, self._take, self._rate, [0])

    def apply(self, block: Signal, first: int) -> Signal:
        """The block as it arrives at the converter; `first` is its first frame in the take."""
        for fault in self._steady:
            block = self._apply_one(fault, block, first)
        return block

    def pieces(self, block: Signal, first: int) -> list[tuple[int, Signal]]:
        """Cut a block where samples are lost or repeated: (place in the take as recorded, samples)."""
        found = []
        for low, high, shift in self._ranges:
            start, end = max(first, low), min(first + len(block), high)
            if start < end:
                found.append((start + shift, block[start - first : end - first]))
        return found

    def _plan_jumps(self, jumps: Sequence[Fault]) -> list[tuple[int, int, int]]:
        """Ranges of frames as played, [low, high), and how much later each is recorded."""
        ranges = []
        low, shift = -NEVER, 0
        for jump in jumps:
            at = round(jump.at_s * self._rate)
            default = 1 if jump.kind == "slip" else 64
            amount = min(int(default if jump.amount is None else jump.amount), MAX_SLIP)
            ranges.append((low, at, shift))
            if jump.kind == "slip":
                low = at + amount
                shift -= amount
            else:
                ranges.append((at - amount, at, shift + amount))
                low = at
                shift += amount
        ranges.append((low, NEVER, shift))
        return ranges

    def _apply_one(self, fault: Fault, block: Signal, first: int) -> Signal:
        amount = fault.amount
        frames = np.arange(first, first + len(block))
        late = (frames >= fault.at_s * self._rate)[:, np.newaxis]
        match fault.kind:
            case "dead":
                return np.zeros_like(block)
            case "inverted":
                return -block
            case "gain":
                return np.asarray(np.where(late, block * db_to_ratio(-6.0 if amount is None else amount), block))
            case "clip":
                top = 1.0 if amount is None else amount
                return np.clip(block * 4.0, -top, top)
            case "noise":
                level = db_to_ratio(-50.0 if amount is None else amount)
                return np.asarray(block + level * self._rng.standard_normal(block.shape))
            case "hum":
                level = db_to_ratio(-50.0 if amount is None else amount)
                turn = 2.0 * np.pi * self._mains_hz * frames / self._rate
                # 0.8 and 0.6: their squares sum to one, so the two lines together have the level asked for.
                lines = np.sqrt(2.0) * level * (0.8 * np.sin(turn) + 0.6 * np.sin(3.0 * turn))
                return np.asarray(block + lines[:, np.newaxis])
            case "dc":
                return block + db_to_ratio(-30.0 if amount is None else amount)
            case "cut":
                end_s = fault.at_s + (0.04 if amount is None else amount)
                gone = late & (frames < end_s * self._rate)[:, np.newaxis]
                return np.where(gone, 0.0, block)
            case _:
                return block


def _start_of(fault: Fault) -> float:
    return fault.at_s
