"""Chooses hardware or simulation: the one place that does."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from printq.audio.port import AudioPort
    from printq.models.rig import Rig

__all__ = ["make_port"]


def make_port(rig: Rig, restarts: int) -> AudioPort:
    """The interface of a rig; `restarts`: how often its stream has been started before in this session."""
    if rig.interface.driver == "simulated":
        from printq.audio.simulated import SimulatedRack

        return SimulatedRack(rig, restarts)
    from printq.audio.hardware import HardwarePort

    return HardwarePort(rig.interface)
