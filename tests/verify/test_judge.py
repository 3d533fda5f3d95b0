"""Verdicts: limits decide, roots explain, the stem's own faults do not count against a take."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from printq.measure.channels import PathNull, Sides, SignByBand
from printq.measure.clip import Ceiling
from printq.measure.dropouts import DropoutResult, Fault
from printq.measure.noise import NoiseResult
from printq.measure.tracking import Slip, TrackResult
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.limits import CHECK_IDS, DEFAULT_LIMITS, Limits, resolve_limits
from printq.models.passes import FileSource, Pass
from printq.models.rig import Insert, Interface, Unit
from printq.models.verdict import Level, Loudness, SourceFacts, Timing, Verdict
from printq.verify import Situation, TakeFigures, judge_send, judge_take
from printq.verify.findings import FINDINGS

RATE = 48_000
CEILING = Ceiling(channel=0, level=-0.5, share=0.8, spans=12, first_frame=3 * RATE)
APART = Sides(crossed=False, same=False, stem_correlation=0.3, return_correlation=0.2, over_db=(-60.0, -50.0))
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


NOTHING_LOST = DropoutResult(0, (), TrackResult((), (), None, None))
TICK = Fault("tick", 0, RATE, 1, -30.0)


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
        ceilings=(),
        signs=(None,),
        sides=None,
        nulls=(None,),
        nulls_known=(True,),
        dropouts=NOTHING_LOST,
        above_noise_db=(60.0,),
        print_frames=RATE + 24_000,
        print_sha256="0",
        missing_frames=0,
        source_unchanged=True,
    )
    return replace(figures, **changes)


def failed(verdict: Verdict) -> list[str]:
    return [check.check for check in verdict.failed()]


def find(verdict: Verdict, name: str) -> Any:
    return next(check for check in verdict.checks if check.check == name)


def test_a_good_take_passes_every_check_and_each_is_reported_once() -> None:
    verdict = judge_take(make_situation(), TIMING, make_figures())
    assert verdict.outcome == "pass"
    assert [check.check for check in verdict.checks] == [
        name
        for name in CHECK_IDS
        if name in DEFAULT_LIMITS and name != "drift"  # judged with other takes at hand
    ]


BAD = [
    pytest.param({"missing_frames": 3}, {}, "length", "fail", id="three frames are missing"),
    pytest.param({}, {"slip_samples": 0.49}, "slip", "pass", id="slip just inside"),
    pytest.param({}, {"slip_samples": -0.51}, "slip", "fail", id="slip just outside, earlier"),
    pytest.param({}, {"slip_samples": None}, "slip", "fail", id="tail marker not seen"),
    pytest.param({}, {"delay_samples": 188.1}, "latency", "fail", id="another latency"),
    pytest.param({}, {"delay_samples": 187.9}, "latency", "pass", id="nearly the same latency"),
    pytest.param({"clip_runs": 1}, {}, "clip", "fail", id="one clipped run"),
    pytest.param({"ceilings": (CEILING,)}, {}, "clip", "fail", id="flat tops below full scale"),
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
    pytest.param({"nulls": (PathNull(-80.0, -85.9),)}, {}, "bypassed", "warn", id="nulls to 5.9 dB above noise"),
    pytest.param({"nulls": (PathNull(-80.0, -86.1),)}, {}, "bypassed", "pass", id="nulls to 6.1 dB above noise"),
    pytest.param({"nulls": (PathNull(-90.0, -80.0),)}, {}, "bypassed", "warn", id="nulls deeper than noise allows"),
    pytest.param({"dropouts": replace(NOTHING_LOST, count=1, faults=(TICK,))}, {}, "dropout", "fail", id="one tick"),
    pytest.param({"nulls_known": (False,)}, {}, "bypassed", "pass", id="too quiet to tell whether it is bypassed"),
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


@pytest.mark.parametrize("kind", ["gap", "jump", "repeat", "tick"])
def test_a_dropout_says_what_it_is_where_and_how_strong(kind: Any) -> None:
    faults = (replace(TICK, kind=kind), Fault("gap", 0, 3 * RATE, 96, -12.0))
    found = find(
        judge_take(make_situation(), TIMING, make_figures(dropouts=DropoutResult(2, faults, TRACK))), "dropout"
    )
    assert (found.value, found.unit) == (2.0, "faults")
    assert found.cause == FINDINGS[f"dropout.{kind}"].cause
    assert found.detail["first_s"] == 1.0
    assert (found.detail["worst_kind"], found.detail["worst_s"], found.detail["worst_dbfs"]) == ("gap", 3.0, -12.0)


TRACK = TrackResult((), (), 20.0, 0.1)


def test_lost_samples_are_the_root_of_the_click_they_make_and_say_where() -> None:
    track = replace(TRACK, slips=(Slip(2 * RATE, -64),), drift_ppm=None, drift_error_ppm=None)
    figures = make_figures(dropouts=DropoutResult(1, (replace(TICK, kind="jump"),), track))
    verdict = judge_take(make_situation(), TIMING.model_copy(update={"slip_samples": -64.0}), figures)
    assert failed(verdict) == ["slip"]
    assert find(verdict, "dropout").because_of == "slip"
    assert (find(verdict, "slip").detail["first_at_s"], find(verdict, "slip").detail["samples"]) == (2.0, -64.0)


def test_of_what_was_lost_in_a_rest_no_more_is_said_than_between_when_it_was() -> None:
    rest = (RATE // 2, 4 * RATE)
    track = replace(TRACK, slips=(Slip(2 * RATE, -64, rest),), drift_ppm=None, drift_error_ppm=None)
    lost = replace(TICK, kind="jump", start_frame=2 * RATE, rest=rest)
    figures = make_figures(dropouts=DropoutResult(1, (lost,), track))
    verdict = judge_take(make_situation(), TIMING.model_copy(update={"slip_samples": -64.0}), figures)
    for check, names in (("slip", ["first_at"]), ("dropout", ["first", "worst"])):
        detail = find(verdict, check).detail
        for name in names:
            assert (detail[f"{name}_after_s"], detail[f"{name}_before_s"]) == (0.5, 4.0)
            assert f"{name}_s" not in detail


def test_two_clocks_are_told_from_lost_samples() -> None:
    figures = make_figures(dropouts=replace(NOTHING_LOST, track=TRACK))
    found = find(judge_take(make_situation(), TIMING.model_copy(update={"slip_samples": 5.0}), figures), "slip")
    assert found.cause == FINDINGS["slip.drift"].cause
    assert found.detail["drift_ppm"] == 20.0


def test_a_cold_unit_is_a_warning() -> None:
    found = find(judge_take(replace(make_situation(), cold_units=("opto",)), TIMING, make_figures()), "warm_up")
    assert (found.verdict, found.detail["units"]) == ("warn", "opto")


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


DRIVE = Unit.model_validate(
    {"id": "tape", "control": [{"id": "drive", "kind": "knob", "range": [0, 10], "acts_on": "drive"}]}
)


def test_flat_tops_tell_their_level_their_time_and_their_channels() -> None:
    other = replace(CEILING, channel=1, level=0.25, spans=3, first_frame=2 * RATE)
    found = find(judge_take(make_situation(mode="stereo"), TIMING, make_figures(ceilings=(CEILING, other))), "clip")
    assert found.value == 15.0
    assert found.detail["first_s"] == 2.0
    assert found.detail["flat_tops"] == 15
    assert found.detail["ceiling_dbfs"] == pytest.approx(-12.04, abs=0.01)  # 20 log10 of a quarter
    assert found.detail["ceiling_channels"] == "1, 2"
    assert found.cause == FINDINGS["clip.below"].cause


def test_a_ceiling_at_full_scale_counts_once() -> None:
    figures = make_figures(clip_runs=7, first_clip_s=1.0, ceilings=(replace(CEILING, level=0.9999),))
    found = find(judge_take(make_situation(), TIMING, figures), "clip")
    assert (found.value, found.detail["first_s"], found.cause) == (7.0, 1.0, FINDINGS["clip"].cause)


def test_a_unit_that_is_meant_to_saturate_may_have_flat_tops_but_no_full_scale() -> None:
    driven = make_situation(units=[DRIVE])
    found = find(judge_take(driven, TIMING, make_figures(ceilings=(CEILING,))), "clip")
    assert (found.verdict, found.value, found.detail["flat_tops"]) == ("pass", 0.0, 12)
    assert found.detail["ceiling_dbfs"] == pytest.approx(-6.02, abs=0.01)
    found = find(judge_take(driven, TIMING, make_figures(ceilings=(CEILING,), clip_runs=1)), "clip")
    assert (found.verdict, found.value) == ("fail", 1.0)


def bands(upright: float, inverted: float, count: int = 20) -> SignByBand:
    signs = [1] * round(upright * count) + [-1] * round(inverted * count)
    signs += [0] * (count - len(signs))
    return SignByBand(tuple((100.0 * n, sign) for n, sign in enumerate(signs, start=1)), upright, inverted)


POLARITY = [
    pytest.param(1, bands(1.0, 0.0), "pass", None, id="all say upright"),
    pytest.param(-1, bands(0.0, 1.0), "fail", "polarity", id="all say inverted"),
    pytest.param(-1, bands(0.0, 0.92), "fail", "polarity", id="nearly all bands and the marker"),
    pytest.param(-1, bands(0.2, 0.6), "warn", "polarity.mixed", id="an all-pass turns the marker"),
    pytest.param(-1, bands(0.9, 0.0), "pass", None, id="a steep high-pass turns the marker's band"),
    pytest.param(1, bands(0.4, 0.3), "pass", None, id="a phase rotator that leaves the marker upright"),
    pytest.param(1, bands(0.0, 1.0), "warn", "polarity.mixed", id="the marker alone is upright"),
    pytest.param(0, bands(1.0, 0.0), "pass", None, id="the bands know what no marker told"),
    pytest.param(0, bands(0.0, 1.0), "fail", "polarity", id="inverted where no marker came back"),
    pytest.param(0, bands(0.4, 0.3), "warn", "polarity.unseen", id="neither knows"),
    pytest.param(-1, bands(0.0, 0.0, 3), "fail", "polarity", id="three bands leave it to the marker"),
    pytest.param(-1, None, "fail", "polarity", id="a marker alone"),
]


@pytest.mark.parametrize(("marker", "found_bands", "expected", "finding"), POLARITY)
def test_a_path_is_upside_down_when_nearly_all_bands_say_so(
    marker: int, found_bands: SignByBand | None, expected: str, finding: str | None
) -> None:
    timing = TIMING.model_copy(update={"polarity": (marker,)})
    found = find(judge_take(make_situation(), timing, make_figures(signs=(found_bands,))), "polarity")
    assert found.verdict == expected
    assert found.cause == (FINDINGS[finding].cause if finding else None)


def test_where_the_rig_declares_an_inversion_the_bands_are_read_the_other_way_round() -> None:
    situation = make_situation()
    inverting = replace(situation, insert=situation.insert.model_copy(update={"inverts": True}))
    turned = TIMING.model_copy(update={"polarity": (-1,)})
    figures = make_figures(signs=(bands(0.0, 1.0),))
    assert find(judge_take(inverting, turned, figures), "polarity").verdict == "pass"
    assert find(judge_take(inverting, TIMING, make_figures(signs=(bands(1.0, 0.0),))), "polarity").verdict == "fail"


WIRED = [
    pytest.param(replace(APART, crossed=True), "stereo", "channels.crossed", id="crossed"),
    pytest.param(replace(APART, crossed=True), "dual-mono", "channels.crossed", id="crossed, two mono paths"),
    pytest.param(replace(APART, crossed=True), "mid-side", "channels.crossed-mid-side", id="middle and sides"),
    pytest.param(replace(APART, same=True), "stereo", "channels.same", id="both the same"),
    pytest.param(replace(APART, same=True, crossed=False), "dual-mono", "channels.same", id="the same, two paths"),
    pytest.param(APART, "stereo", None, id="as they should be"),
    pytest.param(Sides(None, None, None, None, (None, None)), "stereo", None, id="a stem that cannot tell"),
]


@pytest.mark.parametrize(("sides", "mode", "finding"), WIRED)
def test_sides_that_are_crossed_or_doubled_fail(sides: Sides, mode: str, finding: str | None) -> None:
    timing = TIMING.model_copy(update={"channel_delays": (187.0, 187.0), "gain_db": (0.0, 0.0), "polarity": (1, 1)})
    figures = make_figures(sides=sides, signs=(None, None), nulls=(None, None), nulls_known=(True, True))
    found = find(judge_take(make_situation(mode=mode), timing, figures), "channels")
    assert found.verdict == ("fail" if finding else "pass")
    assert found.cause == (FINDINGS[finding].cause if finding else None)
    assert found.detail["return_correlation"] == sides.return_correlation


def test_crossed_sides_are_the_root_of_what_each_side_then_seems_to_do() -> None:
    timing = TIMING.model_copy(update={"channel_delays": (187.0, 187.0), "gain_db": (0.0, 3.0), "polarity": (-1, 1)})
    figures = make_figures(sides=replace(APART, crossed=True), signs=(None, None))
    verdict = judge_take(make_situation(mode="stereo"), timing, figures)
    assert failed(verdict) == ["channels"]
    assert find(verdict, "polarity").because_of == "channels"
    assert find(verdict, "balance").because_of == "channels"


def test_a_bypassed_unit_tells_how_deep_it_nulls_and_never_fails() -> None:
    nulls = (PathNull(-80.0, -82.0), PathNull(-50.0, -82.0))
    figures = make_figures(nulls=nulls, nulls_known=(True, True))
    found = find(judge_take(make_situation(mode="stereo"), TIMING, figures), "bypassed")
    assert (found.value, found.verdict) == (1.0, "warn")
    assert found.detail["channel_2_depth_db"] == -50.0
    assert found.detail["channel_1_noise_allows_db"] == -82.0
    assert "bypass switch" in (found.remedy or "")


def test_nobody_is_told_that_a_quiet_path_is_in_circuit() -> None:
    assert find(judge_take(make_situation(), TIMING, make_figures(nulls_known=(False,))), "bypassed").value is None
    assert find(judge_take(make_situation(), TIMING, make_figures(nulls_known=(True,))), "bypassed").value == 0.0


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
