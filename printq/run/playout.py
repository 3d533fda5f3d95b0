"""What a take plays, from its first frame to its last: silence, markers, the settling, the stem, its tail.

    | lead | marker | gap | settle | material | tail | gap | marker | rest |

Rendered ahead of time on the disk side, block by block, so that the audio callback only copies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printq.audio.channels import to_sends
from printq.files.stems import StemReader
from printq.models.layout import PassLayout
from printq.models.rig import ChannelMode
from printq.units import db_to_ratio

__all__ = ["Playout", "PlayoutPlan"]

Block = NDArray[np.float32]
Signal = NDArray[np.float64]

SETTLE_FADE_S = 0.02
"""The settling stops in the middle of the music: a fade of this length keeps it from clicking."""


class PlayoutPlan:
    """What decides how a take sounds on its way out.

    Parameters
    ----------
    layout : PassLayout
    mode : ChannelMode
        Of the insert.
    rate : int
        Hz.
    send_db : float
        Gain of the stem; markers have a level of their own.
    marker : ndarray, shape (layout.marker,)
        As played, at its level.
    marker_on_path : bool
        Whether the markers go through the units.
    loop : bool
        Whether one more channel carries the markers on the timing loop.
    """

    def __init__(
        self,
        layout: PassLayout,
        mode: ChannelMode,
        rate: int,
        send_db: float,
        marker: Signal,
        marker_on_path: bool,
        loop: bool,
    ) -> None:
        self.layout = layout
        self.mode = mode
        self.rate = rate
        self.gain = db_to_ratio(send_db)
        self.marker = marker
        self.marker_on_path = marker_on_path
        self.loop = loop
        self.channels = (1 if mode == "mono" else 2) + (1 if loop else 0)


class Playout:
    """Renders the frames of one take in order.

    `stem` is read from its beginning twice where the take settles; `close` closes it.
    """

    def __init__(self, plan: PlayoutPlan, stem: StemReader) -> None:
        self._plan = plan
        self._stem = stem
        self._position = 0
        self._reading: str | None = None

    @property
    def left(self) -> int:
        """Frames still to render."""
        return self._plan.layout.total - self._position

    def render(self, frames: int) -> Block:
        """The next frames, shape (n, channels), float32; fewer at the end of the take."""
        layout = self._plan.layout
        start = self._position
        end = min(start + frames, layout.total)
        out = np.zeros((end - start, self._plan.channels))
        for at in (layout.head_marker_at, layout.tail_marker_at):
            low, high = max(start, at), min(end, at + layout.marker)
            if low < high:
                self._add_marker(out[low - start : high - start], low - at)
        for name, at, length in (
            ("settle", layout.settle_at, layout.settle),
            ("material", layout.material_at, layout.material),
        ):
            low, high = max(start, at), min(end, at + length)
            if low < high:
                self._add_stem(out[low - start : high - start], name, low - at, length)
        self._position = end
        return out.astype(np.float32)

    def close(self) -> None:
        """Close the stem's files; safe to call twice."""
        self._stem.close()

    def _add_marker(self, out: Signal, first: int) -> None:
        marker = self._plan.marker[first : first + len(out), np.newaxis]
        sides = out.shape[1] - (1 if self._plan.loop else 0)
        if self._plan.marker_on_path:
            # Both sides get the same marker: a mid-side insert measures its two wires, not its image.
            out[:, :sides] += marker
        if self._plan.loop:
            out[:, sides:] += marker

    def _add_stem(self, out: Signal, name: str, first: int, length: int) -> None:
        if self._reading != name:
            self._stem.seek(first)
            self._reading = name
        sent = to_sends(self._stem.read(len(out)), self._plan.mode)
        if self._plan.gain != 1.0:
            sent = sent * self._plan.gain
        if name == "settle":
            fade = max(1, round(SETTLE_FADE_S * self._plan.rate))
            left = length - first - np.arange(len(sent))
            sent = sent * np.clip(left / fade, 0.0, 1.0)[:, np.newaxis]
        out[: len(sent), : sent.shape[1]] += sent
