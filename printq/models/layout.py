"""Where everything lies in a take, in frames.

    | lead | marker | gap | settle | material | tail | gap | marker | rest |

`gap` includes the insert's `recover_s`; where something settles, `recover_s` follows it once more.
"""

from __future__ import annotations

from printq.models.base import Record
from printq.models.job import Options
from printq.models.rig import Insert
from printq.units import seconds_to_frames

__all__ = ["MARKER_S", "REST_S", "PassLayout"]

MARKER_S = 0.1
REST_S = 0.5
"""Recorded after the last marker: longer than any loop latency, so that it comes back whole."""


class PassLayout(Record):
    """Lengths in frames of the parts of a take, as played."""

    lead: int
    marker: int
    gap: int
    settle: int
    settle_gap: int
    material: int
    tail: int
    rest: int

    @classmethod
    def make(cls, options: Options, insert: Insert, material: int, rate: int) -> PassLayout:
        """Lay out a take of `material` frames at `rate` Hz."""
        settle = min(seconds_to_frames(options.settle_s, rate), material)
        return cls(
            lead=seconds_to_frames(options.lead_s, rate),
            marker=seconds_to_frames(MARKER_S, rate),
            gap=seconds_to_frames(options.gap_s + insert.recover_s, rate),
            settle=settle,
            settle_gap=seconds_to_frames(insert.recover_s, rate) if settle else 0,
            material=material,
            tail=seconds_to_frames(insert.tail_s, rate),
            rest=seconds_to_frames(REST_S, rate),
        )

    @property
    def head_marker_at(self) -> int:
        return self.lead

    @property
    def settle_at(self) -> int:
        return self.lead + self.marker + self.gap

    @property
    def material_at(self) -> int:
        return self.settle_at + self.settle + self.settle_gap

    @property
    def tail_marker_at(self) -> int:
        return self.material_at + self.material + self.tail + self.gap

    @property
    def total(self) -> int:
        """Frames of the whole take, played and recorded alike."""
        return self.tail_marker_at + self.marker + self.rest
