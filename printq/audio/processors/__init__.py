"""Units of the simulated rack: what each kind of processor does to a signal.

This module and `parameters` are light; the modules that process are imported when a unit is made.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module

from printq.audio.processors.base import Parameter, Processor
from printq.audio.processors.kinds import KINDS, KindInfo

__all__ = ["KINDS", "KindInfo", "make_processor", "parameters_of"]


def parameters_of(kind: str) -> tuple[Parameter, ...]:
    """The parameters of a kind. Raises ValueError where there is no such kind."""
    if kind not in KINDS:
        raise ValueError(f"there is no processor {kind!r}; there are {', '.join(KINDS)}")
    return KINDS[kind].parameters


def make_processor(kind: str, rate: int, channels: int, parameters: Mapping[str, float]) -> Processor:
    """A processor with its state at rest.

    Parameters
    ----------
    kind : str
        One of KINDS.
    rate : int
        Hz.
    channels : int
    parameters : mapping of str to float
        Those left out have their defaults.

    Raises
    ------
    ValueError
        An unknown kind or parameter, or a value out of range.
    """
    known = {parameter.name: parameter for parameter in parameters_of(kind)}
    for name, value in parameters.items():
        if name not in known:
            raise ValueError(f"{kind} has no parameter {name!r}; it has {', '.join(known) or 'none'}")
        if not known[name].low <= value <= known[name].high:
            raise ValueError(f"{kind}: {name} = {value:g} is outside {known[name].low:g} to {known[name].high:g}")
    values = {name: parameters.get(name, parameter.default) for name, parameter in known.items()}
    module = import_module(f"printq.audio.processors.{KINDS[kind].module}")
    processor: Processor = getattr(module, KINDS[kind].class_name)(rate, channels, values)
    return processor
