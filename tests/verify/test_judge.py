"""Verdicts: limits decide, roots explain, the stem's own faults do not count against a take."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from printq.measure.noise import NoiseResult
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.limits import CHECK_IDS, DEFAULT_LIMITS, Limits, resolve_limits
from printq.models.passes import FileSource, Pass
from printq.models.rig import Insert, Interface, Unit
from printq.models.verdict import Level, Loudness, SourceFacts, Timing, Verdict
from printq.verify import Situation, TakeFigures, judge_send, judge_take
from printq.verify.findings import FINDINGS

RATE = 48_000
LOUDNESS = Loudness(integrated_lufs=-20.0, range_lu=5.0, momentary_max_lufs=-15.0, short_term_max_lufs=-17.0)


def level(sample: float = -10.0, true: float = -9.5) -> Level:
    return Level(sample_peak_dbfs=sample, true_peak_dbtp=true, rms_dbfs=-20.0, dc=0.0)


def make_situation(
    *, mode: str = "mono", limits: Limits | None = None, units: list[Unit] | None = None, **source: Any
) -> Situation:
    channels = [1] if mode == "mono" else [1, 2]
    insert = Insert.model_validate(
        {"id": "solo", "units": ["opto"], "mode": mode, "sends": channels, "returns": channels}
    )
    facts = {
        "audio_sha256": "0",
        "file_sha256": "0",
        "frames": RATE,
        "rate": RATE,
        "channels": 1,
        "time_reference": None,
        "encoding": "PCM_24",
        "level": level(),
        "loudness": LOUDNESS,
        "sent_sample_peak_dbfs": -10.0,
        "sent_true_peak_dbtp": -9.5,
        **source,
    }
    each = Pass(
        id="clarinet/solo",
        stem="clarinet",
        insert="solo",
        snapshot="soft",
        place=0,
        source=FileSource(path="dry/clarinet.wav"),
        needs=(),
        source_channels=1,
        source_frames=RATE,
        time_reference=None,
        rate=RATE,
        channels=len(channels),
        send_db=0.0,
        return_db=0.0,
        blend=1.0,
        limits=resolve_limits(limits),
        layout=PassLayout.make(Options(), insert, RATE, RATE),
        folder="dry",
        print_name="clarinet.solo",
    )
    interface = Interface.model_validate(
        {"driver": "simulated", "rate": RATE, "sends": 2, "returns": 2, "full_scale_send_dbu": 22.0}
    )
    return Situation(each, insert, units or [Unit(id="opto")], interface, SourceFacts(**facts), 187.0)


TIMING = Timing(
    delay_samples=187.0,
    channel_delays=(187.0,),
    tail_delay_samples=187.0,
    slip_samples=0.0,
    polarity=(1,),
    gain_db=(0.0,),
    tail_gain_db=(0.0,),
)


def make_figures(**changes: Any) -> TakeFigures:
    quiet = NoiseResult(rms_dbfs=-95.0, a_weighted_dbfs=-97.0, hum_dbfs=-110.0, lines=((50.0, -110.0),))
    figures = TakeFigures(
        noise=(quiet,),
        returned=level(),
        finished=level(),
        loudness=LOUDNESS,
        dc_difference=0.0,
        clip_runs=0,
        first_clip_s=None,
        above_noise_db=(60.0,),
        print_frames=RATE + 24_000,
        print_sha256="0",
        source_sha256="0",
        missing_frames=0,
    )
    return replace(figures, **changes)


def failed(verdict: Verdict) -> list[str]:
    return [check.check for check in verdict.failed()]


def find(verdict: Verdict, name: str) -> Any:
    return next(check for check in verdict.checks if check.check == name)


def test_a_good_take_passes_every_check_and_each_is_reported_once() -> None:
    verdict = judge_take(make_situation(), TIMING, make_figures())
    assert verdict.outcome == "pass"
    assert [check.check for check in verdict.checks] == [name for name in CHECK_IDS if name in DEFAULT_LIMITS]


BAD = [
    pytest.param({"missing_frames": 3}, {}, "length", "fail", id="three frames are missing"),
    pytest.param({}, {"slip_samples": 0.49}, "slip", "pass", id="slip just inside"),
    pytest.param({}, {"slip_samples": -0.51}, "slip", "fail", id="slip just outside, earlier"),
    pytest.param({}, {"slip_samples": None}, "slip", "fail", id="tail marker not seen"),
    pytest.param({}, {"delay_samples": 188.1}, "latency", "fail", id="another latency"),
    pytest.param({}, {"delay_samples": 187.9}, "latency", "pass", id="nearly the same latency"),
    pytest.param({"clip_runs": 1}, {}, "clip", "fail", id="one clipped run"),
    pytest.param({"finished": level(-0.5, -0.4)}, {}, "sample_peak", "warn", id="close to full scale"),
    pytest.param({"finished": level(0.2, -0.4)}, {}, "sample_peak", "fail", id="print over full scale"),
    pytest.param({"returned": level(-0.9, 0.3)}, {}, "true_peak", "fail", id="true peak over"),
    pytest.param({"dc_difference": -0.0012}, {}, "dc", "warn", id="dc of -58 dBFS"),
    pytest.param({"dc_difference": 0.012}, {}, "dc", "fail", id="dc of -38 dBFS"),
    pytest.param({}, {"polarity": (-1,)}, "polarity", "fail", id="inverted"),
    pytest.param({}, {"polarity": (0,)}, "polarity", "warn", id="a sign that could not be told is no pass"),
    pytest.param({}, {"tail_gain_db": (-0.4,)}, "level", "warn", id="level fell"),
    pytest.param({"above_noise_db": (2.0,)}, {}, "silent", "fail", id="nothing but noise"),
    pytest.param({"above_noise_db": (None,)}, {}, "silent", "pass", id="a silent stem is no silent return"),
]


@pytest.mark.parametrize(("figures", "timing", "check", "expected"), BAD)
def test_each_check_decides_at_its_limit(
    figures: dict[str, Any], timing: dict[str, Any], check: str, expected: str
) -> None:
    verdict = judge_take(make_situation(), TIMING.model_copy(update=timing), make_figures(**figures))
    found = find(verdict, check)
    assert found.verdict == expected
    assert (found.cause is None) == (expected == "pass")
    assert (found.remedy is None) == (expected == "pass")


@pytest.mark.parametrize(("noise_dbfs", "expected"), [(-76.0, "pass"), (-74.0, "warn"), (-54.0, "fail")])
def test_noise_and_hum_have_limits_of_their_own(noise_dbfs: float, expected: str) -> None:
    loud = NoiseResult(rms_dbfs=noise_dbfs, a_weighted_dbfs=noise_dbfs - 3, hum_dbfs=noise_dbfs - 5, lines=())
    verdict = judge_take(make_situation(), TIMING, make_figures(noise=(loud,)))
    assert find(verdict, "noise").verdict == expected
    assert find(verdict, "hum").verdict == expected


def test_a_stem_that_is_as_hot_itself_does_not_fail_for_it() -> None:
    hot = level(0.5, 0.8)
    verdict = judge_take(make_situation(level=hot), TIMING, make_figures(returned=level(0.4, 0.7), finished=hot))
    assert find(verdict, "sample_peak").verdict == "pass"
    assert find(verdict, "true_peak").verdict == "pass"


def test_loudness_is_off_unless_set_and_then_judges_the_change() -> None:
    louder = make_figures(loudness=LOUDNESS.model_copy(update={"integrated_lufs": -17.5}))
    assert find(judge_take(make_situation(), TIMING, louder), "loudness").verdict == "pass"
    limits = Limits.model_validate({"loudness": {"warn": 1.0, "fail": 2.0}})
    found = find(judge_take(make_situation(limits=limits), TIMING, louder), "loudness")
    assert (found.value, found.verdict) == (2.5, "fail")


def test_a_dead_return_is_the_root_of_all_that_follows_from_it() -> None:
    unseen = Timing(delay_samples=None, tail_delay_samples=None, slip_samples=None, error="no clear marker came back")
    verdict = judge_take(make_situation(), unseen, make_figures(above_noise_db=(0.1,)))
    assert failed(verdict) == ["silent"]
    assert find(verdict, "latency").because_of == "silent"
    assert find(verdict, "slip").because_of == "silent"


def test_a_clipped_return_is_the_root_of_its_peaks() -> None:
    figures = make_figures(clip_runs=7, returned=level(0.0, 0.6), finished=level(0.1, 0.6))
    assert failed(judge_take(make_situation(), TIMING, figures)) == ["clip"]


def test_a_check_that_is_off_passes_on_the_record() -> None:
    limits = Limits.model_validate({"polarity": "off"})
    verdict = judge_take(make_situation(limits=limits), TIMING.model_copy(update={"polarity": (-1,)}), make_figures())
    found = find(verdict, "polarity")
    assert (found.verdict, found.limit) == ("pass", "off")


def test_a_known_inversion_is_expected() -> None:
    situation = make_situation()
    inverting = replace(situation, insert=situation.insert.model_copy(update={"inverts": True}))
    assert find(judge_take(inverting, TIMING, make_figures()), "polarity").verdict == "fail"
    turned = TIMING.model_copy(update={"polarity": (-1,)})
    assert find(judge_take(inverting, turned, make_figures()), "polarity").verdict == "pass"


@pytest.mark.parametrize(("mode", "expected"), [("stereo", "fail"), ("mid-side", "fail"), ("dual-mono", "pass")])
def test_left_and_right_must_come_back_together_unless_they_are_independent(mode: str, expected: str) -> None:
    timing = TIMING.model_copy(update={"channel_delays": (187.0, 188.2), "gain_db": (0.0, 0.0), "polarity": (1, 1)})
    assert find(judge_take(make_situation(mode=mode), timing, make_figures()), "channels").verdict == expected


@pytest.mark.parametrize(("mode", "expected"), [("stereo", "warn"), ("mid-side", "pass"), ("dual-mono", "pass")])
def test_balance_is_judged_on_stereo_inserts_alone(mode: str, expected: str) -> None:
    timing = TIMING.model_copy(update={"channel_delays": (187.0, 187.0), "gain_db": (0.0, 0.5), "polarity": (1, 1)})
    assert find(judge_take(make_situation(mode=mode), timing, make_figures()), "balance").verdict == expected


def test_level_is_not_judged_where_a_threshold_acts_on_the_marker() -> None:
    unit = Unit.model_validate(
        {"id": "opto", "control": [{"id": "reduction", "kind": "knob", "range": [0, 10], "acts_on": "threshold"}]}
    )
    timing = TIMING.model_copy(update={"tail_gain_db": (-3.0,)})
    assert find(judge_take(make_situation(units=[unit]), timing, make_figures()), "level").verdict == "pass"


@pytest.mark.parametrize(
    ("sample", "true", "max_in", "expected"),
    [
        pytest.param(-0.5, 0.3, None, "warn", id="true peak over 0 dBTP warns"),
        pytest.param(0.1, 0.3, None, "fail", id="sample peak over 0 dBFS fails"),
        pytest.param(-3.0, -2.9, 18.0, "fail", id="-3 dBFS is +19 dBu at a full scale of +22: over +18"),
        pytest.param(-5.0, -4.9, 18.0, "pass", id="-5 dBFS is +17 dBu"),
    ],
)
def test_what_is_sent_is_judged_before_anything_plays(
    sample: float, true: float, max_in: float | None, expected: str
) -> None:
    unit = Unit(id="opto", max_in_dbu=max_in)
    check = judge_send(make_situation(units=[unit], sent_sample_peak_dbfs=sample, sent_true_peak_dbtp=true))
    assert check.verdict == expected


def test_every_finding_has_a_cause_and_a_remedy_in_plain_words() -> None:
    for name, finding in FINDINGS.items():
        assert name.split(".")[0] in CHECK_IDS
        assert len(finding.cause) > 20
        assert len(finding.remedy) > 20
        assert finding.cause[0].islower()
