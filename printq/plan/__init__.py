"""Order of passes, what the hands do between them, times, and a bound that can be defended."""

from printq.plan.explain import explain_pass
from printq.plan.make_plan import make_plan
from printq.plan.moves import RackState, set_up_moves
from printq.plan.revising import Evening, PassLeft, PassUnderWay, revise_plan

__all__ = [
    "Evening",
    "PassLeft",
    "PassUnderWay",
    "RackState",
    "explain_pass",
    "make_plan",
    "revise_plan",
    "set_up_moves",
]
