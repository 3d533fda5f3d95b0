"""The table of kinds, and making a processor from it."""

from __future__ import annotations

import subprocess
import sys

import pytest

from printq.audio.processors import KINDS, make_processor, parameters_of


def test_the_kinds_that_rig_files_name_are_there():
    assert set(KINDS) == {
        "wire",
        "parametric-equaliser",
        "vca-compressor",
        "opto-compressor",
        "transient-shaper",
        "valve-saturation",
        "tape-saturation",
        "gate",
        "spring-reverb",
        "echo",
    }


def test_every_parameter_has_a_default_within_its_range_and_says_what_it_means():
    for info in KINDS.values():
        assert info.description
        for parameter in info.parameters:
            assert parameter.low <= parameter.default <= parameter.high, parameter.name
            assert parameter.meaning, parameter.name


def test_no_kind_names_a_parameter_twice():
    for info in KINDS.values():
        names = [parameter.name for parameter in info.parameters]
        assert len(names) == len(set(names))


def test_an_unknown_kind_is_refused_with_the_list_of_kinds():
    with pytest.raises(ValueError, match=r"echoes.*wire, parametric-equaliser"):
        parameters_of("echoes")


def test_an_unknown_parameter_is_refused_with_the_list_of_parameters():
    with pytest.raises(ValueError, match=r"echo has no parameter 'delay'.*time_ms"):
        make_processor("echo", 48_000, 1, {"delay": 10.0})


@pytest.mark.parametrize("ratio", [0.5, 1e6, float("nan"), float("inf")])
def test_a_value_out_of_range_is_refused_with_the_range(ratio):
    with pytest.raises(ValueError, match=r"vca-compressor: ratio = .* outside 1 to 20"):
        make_processor("vca-compressor", 48_000, 1, {"ratio": ratio})


def test_the_table_and_the_resolver_import_no_scipy():
    code = (
        "import sys, printq.audio.processors, printq.audio.processors.parameters;"
        "sys.exit(any(name.partition('.')[0] == 'scipy' for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
