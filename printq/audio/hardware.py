"""A real interface behind `AudioPort`: sounddevice (PortAudio) in full duplex.

What PortAudio 19.6 shows of trouble, measured on its JACK host API with blocks of 1024 at 48 kHz:

- A process that is held up for 100 ms skips whole cycles: 5 blocks pass, 3 callbacks come. The flags "input overflow,
  output underflow" arrive one to three callbacks later, never with the block that was lost. The stream's own clock
  (jack_frame_time in `currentTime` and `inputBufferAdcTime`) is then 2 blocks ahead of the frames that we were given,
  and stays so: see `GapWatch`. Of 60 hold-ups from 25 to 150 ms, 51 were flagged; the 29 in which blocks were skipped
  (from 50 ms on) showed on the clock as well, so the clock is there for drivers that raise no flag.
- That clock wanders by up to a quarter of a block from one callback to the next on an idle machine, and one late
  callback is followed by one that is early by as much. After the server itself stood still for 0.3 s it jumps by ten
  blocks and runs 15 % slow for about a second, until it has its old place again.
- It is read before Python's lock is waited for, so a busy interpreter does not disturb it.
- When the server dies, the stream is no longer active, at once. Stopping or closing it then waits for ten minutes, and
  ending PortAudio fails an assertion that takes the process down. So neither is done: see `_abandon`.
"""

from __future__ import annotations

import atexit
import math
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from printq.audio.devices import Device, find_device, list_devices, load_sounddevice
from printq.audio.port import Block, BlockClient, PortFacts
from printq.errors import PrintqError, RigError
from printq.models.rig import Interface

__all__ = ["GapWatch", "HardwarePort", "RateWatch"]

DEFAULT_BLOCK = 2048
MOST_FRAMES = 4096
"""Longer blocks of a driver are handed on in pieces of this length."""
RAMP_S = 0.01
"""Closing fades what still plays over this time."""
PATIENCE_S = 3.0
"""How long a driver may take to open or to close."""
WATCHDOG_S = 2.0
WATCHDOG_BLOCKS = 10
LOOK_S = 0.02
"""How often `advance` looks after the stream."""
OWN_BLOCKS = ("JACK", "ASIO")
"""Host APIs whose drivers have one right block; any other costs a buffer more."""
INTEGER_HOSTS = ("ALSA", "ASIO", "OSS", "Windows WDM-KS")
"""Host APIs that hand integers to the converter. PortAudio cuts floats off to 24 bits, with a full scale of 2**31 - 1:
samples of 24 bits come out one step low. Integers it only shifts, so there we round ourselves."""
STEPS_OF_24_BITS = float(2**23)
SWITCH_S = 0.0005
"""How long another thread may keep the interpreter when the callback wants it; Python's own choice is 5 ms. numpy gives
it up in every longer operation and then waits again, so beside a busy thread a callback took 52 ms with 5 ms (99th
percentile, eight channels), and 5 ms with this."""
NOTHING_LOST = "nothing is lost: what was finished is kept. Run again"

_abandoned: list[Any] = []
"""Streams that could not be closed. Their driver may still call back, so their callbacks have to stay alive."""


class HardwarePort:
    """An `AudioPort` for a rig with `driver = "portaudio"`.

    Only the channels in use are opened where the host API can; elsewhere the lowest that cover them, and the others
    stay silent.
    """

    def __init__(self, interface: Interface) -> None:
        self._interface = interface
        self._reserved = frozenset(interface.reserved_sends or [])
        self._device: Device | None = None
        self._stream: Any = None
        self._callback: _Callback | None = None
        self._dead = False
        self._rate_watch = RateWatch(interface.rate)
        self._calls = 0
        self._silent_s = 0.0
        self._looked: float | None = None
        self._switch_before: float | None = None

    @property
    def facts(self) -> PortFacts:
        """What the port is; raises RigError where its device is not there."""
        device = self._find()
        return PortFacts(
            driver="portaudio",
            device=f"{device.name} ({device.host_api})",
            rate=self._interface.rate,
            sends=self._interface.sends,
            returns=self._interface.returns,
            block=self._block(device),
            simulated=False,
        )

    @property
    def played_frames(self) -> int:
        return self._callback.frames if self._callback is not None else 0

    def open(self, client: BlockClient, sends: Sequence[int], returns: Sequence[int]) -> None:
        if self._stream is not None:
            raise ValueError("the stream is open already")
        self._refuse(sends, returns)
        sounddevice = load_sounddevice()
        device = self._find()
        layout = _ChannelLayout.make(sounddevice, device, sends, returns)
        integers = _is_one_of(device, INTEGER_HOSTS)
        self._check_settings(sounddevice, device, layout, integers)
        callback = _Callback(
            client,
            self._interface.rate,
            sends=layout.send_columns,
            returns=layout.return_columns,
            forbidden=[] if layout.only_those else [channel - 1 for channel in self._reserved],
            integers=integers,
        )
        switch_before = sys.getswitchinterval()
        sys.setswitchinterval(min(switch_before, SWITCH_S))
        try:
            stream = self._start(sounddevice, device, layout, integers, callback)
        except BaseException:
            sys.setswitchinterval(switch_before)
            raise
        self._stream, self._callback, self._switch_before = stream, callback, switch_before

    def advance(self, seconds: float) -> None:
        """See `AudioPort`.

        Raises
        ------
        RigError
            The interface stopped calling back, the stream has ended, its rate is another one, or the callback failed.
        """
        if self._stream is None or self._callback is None:
            return
        end = time.monotonic() + seconds
        while True:
            self._look(self._callback)
            left = end - time.monotonic()
            if left <= 0.0:
                return
            time.sleep(min(left, LOOK_S))

    def close(self) -> None:
        """Fade out what plays, stop and close; takes a few seconds at most, whatever the driver does."""
        stream, callback = self._stream, self._callback
        self._stream = None
        if stream is None or callback is None:
            return
        callback.fade_out()
        try:
            self._end(stream, callback)
        finally:
            if self._switch_before is not None:
                sys.setswitchinterval(self._switch_before)

    def _end(self, stream: Any, callback: _Callback) -> None:
        device = self._find()
        if self._dead or not _is_active(stream):
            _abandon([stream], callback)
            return
        if callback.calls:
            # The ramp has left the callback, and then what lies in the driver's buffers has to leave it.
            callback.faded.wait(0.5 + 4.0 * callback.longest / self._interface.rate)
        closed = _run_within(PATIENCE_S, device, lambda: _close(stream))
        if not closed:
            _abandon([stream], callback)

    def dial(self, insert: str, settings: Mapping[str, Mapping[str, float | str]]) -> None:
        """Hands do that."""

    def announce_take(
        self, insert: str, pass_id: str, take: int, completed_takes: int, first_frame: int, frames: int
    ) -> None:
        """A real rack has no use for it."""

    def _find(self) -> Device:
        if self._device is None:
            self._device = find_device(self._interface.device or "", list_devices())
        return self._device

    def _block(self, device: Device) -> int:
        if self._interface.block:
            return self._interface.block
        return 0 if _is_one_of(device, OWN_BLOCKS) else DEFAULT_BLOCK

    def _refuse(self, sends: Sequence[int], returns: Sequence[int]) -> None:
        forbidden = sorted(set(sends) & self._reserved)
        if forbidden:
            raise RigError(
                f"sends {forbidden} are reserved for monitors and are never played to; use other sends in the rig file"
            )
        if not sends or not returns:
            raise RigError("a stream needs at least one send and one return")
        for name, wanted, exist in (
            ("send", sends, self._interface.sends),
            ("return", returns, self._interface.returns),
        ):
            beyond = [channel for channel in wanted if not 1 <= channel <= exist]
            if beyond:
                raise RigError(f"the rig file gives the interface {exist} {name}s, there is no {name} {beyond[0]}")

    def _check_settings(self, sounddevice: Any, device: Device, layout: _ChannelLayout, integers: bool) -> None:
        for name, needed, exist in (
            ("send", layout.highest_send, device.outputs),
            ("return", layout.highest_return, device.inputs),
        ):
            if needed > exist:
                raise RigError(
                    f"{device.name} ({device.host_api}) has {exist} {name}s, and the rig file uses {name} {needed}; "
                    "correct the rig file, or choose the driver that offers all channels"
                )
        rate = self._interface.rate
        for check, channels, extra in (
            (sounddevice.check_input_settings, layout.returns, layout.input_settings),
            (sounddevice.check_output_settings, layout.sends, layout.output_settings),
        ):
            try:
                check(
                    device=device.index,
                    channels=channels,
                    dtype=_data_type(integers),
                    extra_settings=extra,
                    samplerate=rate,
                )
            except (sounddevice.PortAudioError, ValueError) as error:
                raise RigError(
                    f"{device.name} ({device.host_api}) does not run at {rate} Hz with {layout.sends} sends and "
                    f"{layout.returns} returns ({error}); set its rate to that of the rig file, or the other way round"
                ) from error

    def _start(
        self, sounddevice: Any, device: Device, layout: _ChannelLayout, integers: bool, callback: _Callback
    ) -> Any:
        streams: list[Any] = []
        errors: list[BaseException] = []

        def start() -> None:
            try:
                stream = sounddevice.Stream(
                    device=device.index,
                    channels=(layout.returns, layout.sends),
                    samplerate=self._interface.rate,
                    blocksize=self._block(device),
                    latency="high",
                    dtype=_data_type(integers),
                    extra_settings=(layout.input_settings, layout.output_settings),
                    dither_off=True,
                    callback=callback,
                )
                streams.append(stream)
                _check_rate(stream, device, self._interface.rate)
                stream.start()
            except BaseException as error:
                errors.append(error)

        answered = _run_within(PATIENCE_S, device, start)
        if answered and not errors:
            return streams[0]
        if not answered or not all(_run_within(PATIENCE_S, device, stream.close) for stream in streams):
            _abandon(streams, callback)
        if not answered:
            raise RigError(
                f"{device.name} ({device.host_api}) does not start; restart it and its driver or sound server"
            )
        if isinstance(errors[0], PrintqError):
            raise errors[0]
        raise RigError(
            f"{device.name} ({device.host_api}) cannot be opened ({errors[0]}); does another program use it?"
        ) from errors[0]

    def _look(self, callback: _Callback) -> None:
        device = self._find()
        name = f"{device.name} ({device.host_api})"
        if callback.error is not None:
            self._dead = not _is_active(self._stream)
            raise RigError(
                f"the stream of {name} failed inside printq ({callback.error!r}); {NOTHING_LOST}"
            ) from callback.error
        now = time.monotonic()
        # Time in which nobody looked does not count: the whole machine may have slept.
        since = min(now - self._looked, 5 * LOOK_S) if self._looked is not None else 0.0
        self._looked = now
        self._silent_s = 0.0 if callback.calls != self._calls else self._silent_s + since
        self._calls = callback.calls
        if not _is_active(self._stream):
            self._dead = True
            raise RigError(
                f"the stream of {name} has ended by itself: look at its cable, its power, its driver or sound server; "
                f"{NOTHING_LOST}"
            )
        if self._silent_s > max(WATCHDOG_S, WATCHDOG_BLOCKS * callback.longest / self._interface.rate):
            self._dead = True
            raise RigError(
                f"{name} stopped calling back {self._silent_s:.0f} s ago: look at its cable, its power, its driver or "
                f"sound server; {NOTHING_LOST}"
            )
        measured = self._rate_watch.look(callback.frames, callback.called_at, callback.glitches)
        if measured is not None:
            raise RigError(
                f"{name} runs at about {measured:.0f} Hz, and the rig file says {self._interface.rate}: has its clock "
                f"been switched? {NOTHING_LOST}"
            )


class _ChannelLayout:
    """Which channels a stream opens, and in which of its columns the wanted ones are."""

    def __init__(
        self,
        sends: Sequence[int],
        returns: Sequence[int],
        settings: tuple[Any, Any] | None,
    ) -> None:
        self.highest_send, self.highest_return = max(sends), max(returns)
        self.only_those = settings is not None
        """Nothing but the wanted channels is open."""
        self.output_settings: Any = settings[0] if settings is not None else None
        self.input_settings: Any = settings[1] if settings is not None else None
        if self.only_those:
            self.sends, self.returns = len(sends), len(returns)
            self.send_columns, self.return_columns = list(range(len(sends))), list(range(len(returns)))
        else:
            self.sends, self.returns = self.highest_send, self.highest_return
            self.send_columns = [channel - 1 for channel in sends]
            self.return_columns = [channel - 1 for channel in returns]

    @classmethod
    def make(cls, sounddevice: Any, device: Device, sends: Sequence[int], returns: Sequence[int]) -> _ChannelLayout:
        # Channels that do not exist are refused with the plain layout, which has better words than the driver.
        exist = max(sends) <= device.outputs and max(returns) <= device.inputs
        if exist and _is_one_of(device, ("ASIO",)):
            return cls(
                sends,
                returns,
                (
                    sounddevice.AsioSettings(channel_selectors=[channel - 1 for channel in sends]),
                    sounddevice.AsioSettings(channel_selectors=[channel - 1 for channel in returns]),
                ),
            )
        if exist and _is_one_of(device, ("Core Audio",)):
            # For outputs the map is the other way round: for each channel of the interface, a column or -1.
            columns = [-1] * device.outputs
            for column, channel in enumerate(sends):
                columns[channel - 1] = column
            return cls(
                sends,
                returns,
                (
                    sounddevice.CoreAudioSettings(channel_map=columns),
                    sounddevice.CoreAudioSettings(channel_map=[channel - 1 for channel in returns]),
                ),
            )
        return cls(sends, returns, None)


class _Callback:
    """What PortAudio calls, from a thread of its own: no array is made, no lock is taken, nothing is raised.

    Recording comes before playing, so that what a block says (a howl) takes effect in the block that is played next.
    """

    def __init__(
        self,
        client: BlockClient,
        rate: int,
        *,
        sends: Sequence[int],
        returns: Sequence[int],
        forbidden: Sequence[int] = (),
        integers: bool = False,
    ) -> None:
        self.frames = 0
        self.calls = 0
        self.called_at = 0.0
        """When the last call came, on the machine's clock, in seconds."""
        self.longest = 1
        """Frames of the longest block so far."""
        self.glitches = 0
        self.error: BaseException | None = None
        self.retired = False
        """The client is not called any more, whatever the driver still does."""
        self.faded = threading.Event()
        self._client = client
        self._sends = _columns(sends)
        self._returns = _columns(returns)
        self._forbidden = list(forbidden)
        self._integers = integers
        self._gaps = GapWatch(rate)
        self._clock: str | None = None
        self._out = np.zeros((MOST_FRAMES, len(sends)), dtype=np.float32)
        self._in = np.zeros((MOST_FRAMES, len(returns)), dtype=np.float32)
        self._ramp = np.linspace(1.0, 0.0, max(2, round(RAMP_S * rate)), dtype=np.float32)
        self._ramped = 0
        self._fading = False

    def fade_out(self) -> None:
        """Ramp to silence from the next block on; `faded` is set one block after the ramp has ended."""
        self._fading = True

    def __call__(self, recorded: NDArray[Any], played: NDArray[Any], frames: int, times: Any, status: Any) -> None:
        """The signature is PortAudio's."""
        try:
            played.fill(0)
            self.called_at = time.monotonic()
            self.longest = max(self.longest, frames)
            glitch = self._gaps.lost(frames, self._stamp(times))
            if status and (
                status.input_overflow or status.input_underflow or status.output_overflow or status.output_underflow
            ):
                glitch = True
            if glitch:
                self.glitches += 1
            if self.error is None and not self.retired:
                for start in range(0, frames, MOST_FRAMES):
                    end = min(frames, start + MOST_FRAMES)
                    self._move(recorded[start:end], played[start:end], glitch and start == 0)
                for column in self._forbidden:
                    if column < played.shape[1]:
                        played[:, column] = 0
        except BaseException as error:
            # PortAudio would stop the stream, and nobody would hear why.
            self.error = error
            played.fill(0)
        self.calls += 1

    def _stamp(self, times: Any) -> float:
        """When this block began, on the best clock that the driver has: some leave one or both at zero."""
        if self._clock is None:
            self._clock = next((name for name in ("inputBufferAdcTime", "currentTime") if getattr(times, name)), "")
        return float(getattr(times, self._clock)) if self._clock else self.called_at

    def _move(self, recorded: NDArray[Any], played: NDArray[Any], glitch: bool) -> None:
        frames = len(played)
        heard = self._in[:frames]
        for column, place in self._returns:
            heard[:, column] = recorded[:, place]
        if self._integers:
            np.multiply(heard, 1.0 / 2.0**31, out=heard)
        self._client.capture(heard, self.frames, glitch)
        out = self._out[:frames]
        out.fill(0.0)
        if not self.faded.is_set():
            self._client.fill(out, self.frames)
        if self._fading:
            self._fade(out)
        if self._integers:
            np.multiply(out, STEPS_OF_24_BITS, out=out)
            np.rint(out, out=out)
            np.clip(out, -STEPS_OF_24_BITS, STEPS_OF_24_BITS - 1.0, out=out)
        for column, place in self._sends:
            played[:, place] = out[:, column]
        if self._integers:
            np.left_shift(played, 8, out=played)
        self.frames += frames

    def _fade(self, out: Block) -> None:
        if self._ramped >= len(self._ramp):
            self.faded.set()
        left = self._ramp[self._ramped : self._ramped + len(out)]
        for column in range(out.shape[1]):
            out[: len(left), column] *= left
        out[len(left) :] = 0.0
        self._ramped += len(out)


class GapWatch:
    """Finds frames that were lost without a flag, from the clock that the driver stamps its blocks with.

    A block that comes late is followed by others that come early; where blocks were lost, all that follow are late for
    good. So the earliest block is the measure: the stamps count as a gap when for 0.1 s none was within 0.6 block of
    where the earliest one says it should be. That measure rises by half a thousandth, since two clocks never agree.
    """

    SLACK_BLOCKS = 0.6
    LASTING_S = 0.1
    LEAST_CALLS = 2
    DRIFT = 5e-4

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._frames = 0
        self._earliest = math.inf
        self._late_frames = 0
        self._late_calls = 0
        self._least_late = math.inf

    def lost(self, frames: int, now: float) -> bool:
        """Whether a gap has become certain with this block; `now` is its stamp in seconds."""
        late = now - self._frames / self._rate
        self._frames += frames
        self._earliest += self.DRIFT * frames / self._rate
        if late - self._earliest <= self.SLACK_BLOCKS * frames / self._rate:
            self._earliest = min(self._earliest, late)
            self._forget()
            return False
        self._late_frames += frames
        self._late_calls += 1
        self._least_late = min(self._least_late, late)
        if self._late_frames < self.LASTING_S * self._rate or self._late_calls < self.LEAST_CALLS:
            return False
        self._earliest = self._least_late
        self._forget()
        return True

    def _forget(self) -> None:
        self._late_frames = 0
        self._late_calls = 0
        self._least_late = math.inf


class RateWatch:
    """Compares the rate at which frames come with the rate of the rig file, on the machine's own clock.

    A stretch of 5 s without a glitch decides; half the distance between 44.1 and 48 kHz is too far off. Callbacks come
    late by a tenth of a second at most, which is 2 % of the stretch.
    """

    STRETCH_S = 5.0
    MOST_OFF = 0.04

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._began: tuple[int, float] | None = None
        self._glitches = 0

    def look(self, frames: int, called_at: float, glitches: int) -> float | None:
        """The rate in Hz where it is wrong, else None; `called_at` in seconds is when the last frames came."""
        if not frames:
            return None
        if self._began is None or glitches != self._glitches:
            self._began, self._glitches = (frames, called_at), glitches
            return None
        since_frames, since = self._began
        if called_at - since < self.STRETCH_S:
            return None
        measured = (frames - since_frames) / (called_at - since)
        self._began = (frames, called_at)
        return measured if abs(measured / self._rate - 1.0) > self.MOST_OFF else None


def _columns(places: Sequence[int]) -> list[tuple[slice, slice]]:
    """Columns of the client's blocks and of the driver's: neighbours that stay neighbours are moved together."""
    runs: list[tuple[slice, slice]] = []
    for column, place in enumerate(places):
        if runs and runs[-1][1].stop == place:
            ours, theirs = runs.pop()
            runs.append((slice(ours.start, column + 1), slice(theirs.start, place + 1)))
        else:
            runs.append((slice(column, column + 1), slice(place, place + 1)))
    return runs


def _data_type(integers: bool) -> str:
    return "int32" if integers else "float32"


def _is_one_of(device: Device, host_apis: Sequence[str]) -> bool:
    return any(device.host_api.startswith(name) for name in host_apis)


def _check_rate(stream: Any, device: Device, rate: int) -> None:
    if round(stream.samplerate) != rate:
        raise RigError(
            f"{device.name} ({device.host_api}) runs at {stream.samplerate:g} Hz, and the rig file says {rate}; "
            "set the one or the other"
        )


def _is_active(stream: Any) -> bool:
    try:
        return bool(stream.active)
    except Exception:  # PortAudio's own error: a stream that cannot even say so is not
        return False


def _close(stream: Any) -> None:
    stream.stop()  # lets the driver's buffers run out, where aborting would cut them off
    stream.close()


def _run_within(seconds: float, device: Device, function: Callable[[], object]) -> bool:
    """Run what may hang in a driver; False where it has not come back in time, and is left behind."""
    if _is_one_of(device, ("ASIO",)):
        # Those drivers belong to the thread that loaded them, and may crash in any other.
        function()
        return True
    thread = threading.Thread(target=function, name="printq-driver", daemon=True)
    thread.start()
    thread.join(seconds)
    return not thread.is_alive()


def _abandon(streams: list[Any], callback: _Callback) -> None:
    """Leave a stream as it is until the process ends, and PortAudio too: closing either would hang or abort.

    `streams` may still be empty: one that a driver opens after we gave up joins it, and is silent.
    """
    callback.retired = True
    _abandoned.extend((streams, callback))
    atexit.unregister(load_sounddevice()._exit_handler)
