"""Rig, snapshots and job files: one validated job, or every problem of every file at once."""

from printq.intake.load import CheckReport, check_job, load_job, load_rig
from printq.intake.new_session import start_session
from printq.intake.schema import SCHEMA_KINDS, make_schema

__all__ = ["SCHEMA_KINDS", "CheckReport", "check_job", "load_job", "load_rig", "make_schema", "start_session"]
