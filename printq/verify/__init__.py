"""Measurements of a take compared with limits: findings, never guesses."""

from printq.verify.drift import Reference, measure_drift, nearest_take, recording_of, with_drift
from printq.verify.judge import Situation, judge_send, judge_take
from printq.verify.measure_take import TakeFigures, measure_take
from printq.verify.source import measure_source
from printq.verify.timing import marker_of, measure_timing
from printq.verify.wiring import Probe, judge_wiring, listen

__all__ = [
    "Probe",
    "Reference",
    "Situation",
    "TakeFigures",
    "judge_send",
    "judge_take",
    "judge_wiring",
    "listen",
    "marker_of",
    "measure_drift",
    "measure_source",
    "measure_take",
    "measure_timing",
    "nearest_take",
    "recording_of",
    "with_drift",
]
