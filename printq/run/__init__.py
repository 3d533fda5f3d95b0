"""The pass on the wire: plays a stem through an insert and records what comes back."""

from printq.run.engine import PassEngine
from printq.run.flight import Ending, Flight
from printq.run.playout import Playout, PlayoutPlan
from printq.run.service import ServiceThread

__all__ = ["Ending", "Flight", "PassEngine", "Playout", "PlayoutPlan", "ServiceThread"]
