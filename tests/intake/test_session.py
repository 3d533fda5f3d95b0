"""The small session that other tests break is in order to begin with."""

from __future__ import annotations

from printq.intake import check_job
from tests.intake.builders import SmallSession


def test_a_session_in_order_has_no_problems(session: SmallSession) -> None:
    report = check_job(session.folder)
    assert report.problems == ()
    assert report.job is not None
