"""Order of passes, what the hands do between them, times, and a bound that can be defended."""

from printq.plan.make_plan import make_plan
from printq.plan.moves import RackState, set_up_moves

__all__ = ["RackState", "make_plan", "set_up_moves"]
