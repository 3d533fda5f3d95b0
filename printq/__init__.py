"""printq: an offline print queue for analog inserts.

The library's public face. Names are imported when they are first used, so that `import printq` costs nothing:

    from printq import load_job, make_plan
    job = load_job(Path("sample_sessions/lighthouse_waltz"))
    plan = make_plan(job, [each.id for each in job.passes])
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from printq.audio.port import AudioPort
    from printq.audio.simulated import SimulatedRack
    from printq.errors import PrintqError
    from printq.intake import check_job, load_job, load_rig, make_schema, start_session
    from printq.models.passes import Job, Pass
    from printq.models.plan import Plan
    from printq.models.standing import Standing
    from printq.models.verdict import Verdict
    from printq.plan import make_plan
    from printq.spool.archiving import archive_session, bag_writer
    from printq.spool.session import accept_take, list_standings, plan_session, request_reprint, run_session

_HOMES = {
    "AudioPort": "printq.audio.port",
    "Job": "printq.models.passes",
    "Pass": "printq.models.passes",
    "Plan": "printq.models.plan",
    "PrintqError": "printq.errors",
    "SimulatedRack": "printq.audio.simulated",
    "Standing": "printq.models.standing",
    "Verdict": "printq.models.verdict",
    "accept_take": "printq.spool.session",
    "archive_session": "printq.spool.archiving",
    "bag_writer": "printq.spool.archiving",
    "check_job": "printq.intake",
    "list_standings": "printq.spool.session",
    "load_job": "printq.intake",
    "load_rig": "printq.intake",
    "make_plan": "printq.plan",
    "make_schema": "printq.intake",
    "plan_session": "printq.spool.session",
    "request_reprint": "printq.spool.session",
    "run_session": "printq.spool.session",
    "start_session": "printq.intake",
}

__all__ = [
    "AudioPort",
    "Job",
    "Pass",
    "Plan",
    "PrintqError",
    "SimulatedRack",
    "Standing",
    "Verdict",
    "__version__",
    "accept_take",
    "archive_session",
    "bag_writer",
    "check_job",
    "list_standings",
    "load_job",
    "load_rig",
    "make_plan",
    "make_schema",
    "plan_session",
    "request_reprint",
    "run_session",
    "start_session",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
