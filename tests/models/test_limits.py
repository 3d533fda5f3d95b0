"""Which limit holds where several are written."""

from __future__ import annotations

from printq.models.limits import CHECK_IDS, DEFAULT_LIMITS, Limit, Limits, resolve_limits


def test_without_limits_the_defaults_hold() -> None:
    assert resolve_limits() == DEFAULT_LIMITS
    assert resolve_limits(None, Limits(), None) == DEFAULT_LIMITS


def test_every_check_has_a_default() -> None:
    assert set(DEFAULT_LIMITS) == set(CHECK_IDS)


def test_the_first_layer_that_says_something_wins() -> None:
    layers = (Limits(hum=Limit(warn=-90.0, fail=-70.0)), None, Limits(hum=Limit(warn=-50.0, fail=-40.0)))
    assert resolve_limits(*layers)["hum"] == Limit(warn=-90.0, fail=-70.0)


def test_warn_and_fail_are_looked_for_each_by_itself() -> None:
    """The pass says where it fails, the job where it warns, and neither what the other says."""
    layers = (Limits(hum=Limit(fail=-70.0)), Limits(hum=Limit(warn=-90.0, fail=-10.0)))
    assert resolve_limits(*layers)["hum"] == Limit(warn=-90.0, fail=-70.0)
    assert resolve_limits(Limits(hum=Limit(warn=-90.0)))["hum"] == Limit(warn=-90.0, fail=-60.0)


def test_off_hides_what_is_wider() -> None:
    assert resolve_limits(Limits(noise="off"), Limits(noise=Limit(warn=-60.0)))["noise"] == "off"


def test_a_nearer_limit_takes_a_check_out_of_a_wider_off() -> None:
    """Only what it says itself: a default that was turned off does not come back."""
    assert resolve_limits(Limits(noise=Limit(fail=-40.0)), Limits(noise="off"))["noise"] == Limit(fail=-40.0)
    assert resolve_limits(Limits(loudness=Limit(warn=3.0)))["loudness"] == Limit(warn=3.0)


def test_one_check_does_not_touch_another() -> None:
    resolved = resolve_limits(Limits(hum="off"))
    assert {name: limit for name, limit in resolved.items() if name != "hum"} == {
        name: limit for name, limit in DEFAULT_LIMITS.items() if name != "hum"
    }
