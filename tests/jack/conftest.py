"""Servers, racks, and a PortAudio that sees them."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack

import pytest

from tests.conftest import need_program
from tests.jack.rack import LaneSettings, Rack
from tests.jack.server import JackServer

Bed = tuple[JackServer, Rack]


@pytest.fixture(scope="session")
def jack_is_here() -> None:
    """Skips where JACK is missing; on a build server that is a failure."""
    need_program("jackd")
    refuse = pytest.fail if os.environ.get("CI") else pytest.skip
    if importlib.util.find_spec("jack") is None:
        refuse("JACK-Client is not installed")
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        refuse(f"{error}")


@pytest.fixture
def make_bed(jack_is_here: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Bed]]:
    """Starts a server and a rack, and points the PortAudio of this process at them.

    PortAudio reads the server's name and lists devices when it is initialised, so that is done again. It has to have
    ended before the server does: without one, its end takes the process down. For the same reason no test of this
    process may kill the server; those run the program in another one.
    """
    import sounddevice

    with ExitStack() as stack:

        def make(
            lanes: Sequence[LaneSettings] = (LaneSettings(),),
            *,
            rate: int = 48_000,
            period: int = 1024,
            more_racks: dict[str, int] | None = None,
        ) -> Bed:
            server = stack.enter_context(JackServer(rate, period))
            rack = stack.enter_context(Rack(server.name, lanes))
            for name, count in (more_racks or {}).items():
                stack.enter_context(Rack(server.name, [LaneSettings()] * count, name))
            monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
            _end_portaudio()
            sounddevice._initialize()
            stack.callback(_end_portaudio)
            return server, rack

        yield make
    monkeypatch.undo()
    sounddevice._initialize()


@pytest.fixture
def make_server_and_rack(jack_is_here: None) -> Iterator[Callable[..., Bed]]:
    """A server and a rack for a program in another process."""
    with ExitStack() as stack:

        def make(lanes: Sequence[LaneSettings] = (LaneSettings(),), *, period: int = 1024) -> Bed:
            server = stack.enter_context(JackServer(period=period))
            return server, stack.enter_context(Rack(server.name, lanes))

        yield make


def _end_portaudio() -> None:
    import sounddevice

    while sounddevice._initialized:
        sounddevice._terminate()
