"""Order of passes, what the hands do between them, times, and a bound that can be defended."""

from printq.plan.explain import explain_pass
from printq.plan.make_plan import make_plan
from printq.plan.moves import RackState, set_up_moves

__all__ = ["RackState", "explain_pass", "make_plan", "set_up_moves"]
