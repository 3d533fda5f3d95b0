"""The one door to audio files: soundfile (libsndfile) behind it.

What libsndfile 1.2.2 needs to be told, and why:

- a header that is updated as the file grows, so that a take can be read after a kill;
- RF64 where a file may pass 4 GiB (a take's becomes plain WAV when closed below it): WAV alone is cut off there
  without an error;
- no PEAK chunk, which carries the time of day;
- a `bext` chunk of the right size, which is then filled in by us: it would add a coding history of its own;
- integers instead of floats for 16 and 24 bits: it rounds floats down, half an LSB off on average.
"""

from __future__ import annotations

import os
import stat
import struct
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from printq.errors import FileError, PrintqError, StorageError
from printq.files.atomic import storage_errors
from printq.files.broadcast import SIZE_IN_DS64, BroadcastExtension, find_chunks, read_broadcast
from printq.files.quantise import Dither, to_integers

__all__ = [
    "FileFacts",
    "FlacWriter",
    "PrintWriter",
    "SoundReader",
    "TakeWriter",
    "flac_samples",
    "read_facts",
    "update_broadcast",
]

Signal = NDArray[np.float64]

SFC_UPDATE_HEADER_AUTO = 0x1061
SFC_ADD_PEAK_CHUNK = 0x1050
SFC_SET_BROADCAST_INFO = 0x10F1
SFC_RF64_AUTO_DOWNGRADE = 0x1210
SF_ERR_SYSTEM = 2
MOST_WAV_BYTES = 0xFFFFFFFF - 0x10000
"""Audio that a plain WAV holds, with room for the other chunks: its sizes have 32 bits."""
WAVE_FORMATS = ("WAV", "WAVEX", "RF64")
EXACT_IN_SINGLE = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "FLOAT")
"""Encodings that a float32 holds exactly."""
LITTLE_ENDIAN_WAVES = (b"RIFF", b"RF64", b"BW64")
"""How they begin; one with big-endian samples begins with RIFX."""


@dataclass(frozen=True)
class FileFacts:
    """What the header of an audio file says."""

    rate: int
    """Hz."""
    channels: int
    frames: int
    format: str
    """Such as `WAV`, `RF64`, `FLAC`."""
    encoding: str
    """Such as `PCM_24`, `FLOAT`."""
    time_reference: int | None
    """First sample since midnight; None where the file has no `bext` chunk."""


def read_facts(path: Path) -> FileFacts:
    """The facts of a file.

    Raises
    ------
    FileError
        It is missing, may not be read, is no audio file, empty, or shorter than its header says.
    """
    with SoundReader(path) as reader:
        return reader.facts


class SoundReader:
    """Reads an audio file in float64; read-only, use it as a context manager.

    `file`: the same file where it is open already; all is read from there, and it stays open.

    Raises FileError where the file cannot be used.
    """

    def __init__(self, path: Path, file: BinaryIO | None = None) -> None:
        self.path = path
        self._source = _Source(file) if file is not None else None
        if file is None:
            _check_is_file(path)
        try:
            with self._read_errors():
                self._file = soundfile.SoundFile(self._source or path, "r")
        except (soundfile.LibsndfileError, OSError) as error:
            raise FileError(f"{path} cannot be read as audio ({_reason(error)}); export it again") from error
        except TypeError as error:
            # soundfile goes by the extension here, and asks for the rate and the encoding.
            raise FileError(f"{path} has no header that says what is in it; export it as WAV or FLAC") from error
        try:
            self.facts = self._read_facts()
            self._integers = _Integers.of(self._file, path, self.facts)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def seek(self, frame: int) -> None:
        """Go on reading at this frame, from 0 to the number of frames."""
        with self._errors():
            self._file.seek(frame)

    def read(self, frames: int) -> Signal:
        """The next frames, shape (n, channels), full scale = 1.0; fewer at the end of the file."""
        with self._errors():
            if self._integers:
                return self._integers.read(frames, np.float64)
            if self.facts.encoding == "FLOAT":
                # numpy widens samples several times as quickly as libsndfile does.
                return np.asarray(self._file.read(frames, dtype="float32", always_2d=True), dtype=np.float64)
            block: Signal = self._file.read(frames, dtype="float64", always_2d=True)
        return block

    def read_float32(self, frames: int) -> NDArray[np.float32]:
        """As `read`, in half the memory; exact for takes and for integers of up to 24 bits."""
        with self._errors():
            if self._integers:
                return self._integers.read(frames, np.float32)
            block: NDArray[np.float32] = self._file.read(frames, dtype="float32", always_2d=True)
        return block

    def read_exact(self, frames: int) -> NDArray[np.floating]:
        """As `read`, in single precision where that holds every digit."""
        return self.read_float32(frames) if self.facts.encoding in EXACT_IN_SINGLE else self.read(frames)

    def blocks(self, frames: int) -> Iterator[Signal]:
        """The rest of the file in blocks of so many frames, the last one shorter."""
        while len(block := self.read(frames)):
            yield block

    def wave_bytes(self, frames: int) -> Iterator[bytes]:
        """The rest of a file of 16 or 24 bits as a wave file holds it: little-endian integers, interleaved.

        Raises FileError for other encodings, and where the file ends before its header says.
        """
        if self.facts.encoding not in ("PCM_16", "PCM_24"):
            raise FileError(f"{self.path} holds {self.facts.encoding}, not integers of 16 or 24 bits")
        kind = "int16" if self.facts.encoding == "PCM_16" else "int32"
        decoded = 0
        while True:
            with self._errors():
                block = self._file.read(frames, dtype=kind, always_2d=True)
            if not len(block):
                break
            decoded += len(block)
            data = np.ascontiguousarray(block, dtype="<i2" if kind == "int16" else "<i4")
            # Of 32 bits libsndfile fills the upper 24: the lowest byte is left out.
            yield data.tobytes() if kind == "int16" else data.view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
        if decoded != self.facts.frames:
            raise FileError(f"{self.path} ends after {decoded} of {self.facts.frames} frames; copy it again")

    def _read_facts(self) -> FileFacts:
        if self._file.frames == 0:
            raise FileError(f"{self.path} holds no audio at all; export it again")
        opened = self._source.file if self._source else None
        if self._file.format in (*WAVE_FORMATS, "AIFF"):
            _check_whole(self.path, opened)
        extension = read_broadcast(self.path, opened) if self._file.format in WAVE_FORMATS else None
        return FileFacts(
            rate=self._file.samplerate,
            channels=self._file.channels,
            frames=self._file.frames,
            format=self._file.format,
            encoding=self._file.subtype,
            time_reference=extension.time_reference if extension is not None else None,
        )

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            with self._read_errors():
                yield
        except (soundfile.LibsndfileError, OSError) as error:
            raise FileError(f"{self.path} cannot be read to its end ({_reason(error)}); copy it again") from error

    @contextmanager
    def _read_errors(self) -> Iterator[None]:
        """What the disk said goes before what the decoder made of it. Raises OSError."""
        try:
            yield
        finally:
            if self._source and self._source.error:
                raise self._source.error


class _Source:
    """An open file for libsndfile to call, at a place of its own: others may read the file in between.

    An error in a call from C would be printed and lost: it is kept.
    """

    def __init__(self, file: BinaryIO) -> None:
        self.file = file
        self.error: OSError | None = None
        self._place = 0

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        if whence == os.SEEK_END:
            self._place = self.file.seek(offset, os.SEEK_END)
        else:
            self._place = offset + (self._place if whence == os.SEEK_CUR else 0)
        return self._place

    def tell(self) -> int:
        return self._place

    def readinto(self, buffer: Any) -> int:
        try:
            self.file.seek(self._place)
            data = self.file.read(len(buffer))
        except OSError as error:
            self.error = error
            return 0
        buffer[: len(data)] = data
        self._place += len(data)
        return len(data)


class _Integers:
    """Samples of a wave file of 16 or 24 bits, taken as they lie in it and made floats by numpy.

    What libsndfile makes of them is the same, but takes it five times as long.
    """

    def __init__(self, file: Any, facts: FileFacts) -> None:
        self._file = file
        self._channels = facts.channels
        self._width = 2 if facts.encoding == "PCM_16" else 3
        self._bytes = np.zeros(0, dtype=np.uint8)
        self._upper = np.zeros(0, dtype=np.int32)
        """24 bits in the upper ones of 32."""

    @classmethod
    def of(cls, file: Any, path: Path, facts: FileFacts) -> _Integers | None:
        """None where the file holds something else, or holds it the other way round."""
        if facts.format not in WAVE_FORMATS or facts.encoding not in ("PCM_16", "PCM_24"):
            return None
        with path.open("rb") as beginning:
            return cls(file, facts) if beginning.read(4) in LITTLE_ENDIAN_WAVES else None

    def read(self, frames: int, kind: type[np.floating]) -> NDArray[Any]:
        """The next frames as float64 or float32, shape (n, channels), full scale = 1.0; fewer at the end."""
        # A sample of 24 bits is read as one of 32, so that of the last one byte more is touched.
        size = frames * self._channels * self._width
        if len(self._bytes) < size + 1:
            self._bytes = np.zeros(size + 1, dtype=np.uint8)
        got = soundfile._snd.sf_read_raw(self._file._file, soundfile._ffi.from_buffer(self._bytes), size)
        soundfile._error_check(self._file._errorcode)
        count = got // self._width
        if self._width == 2:
            samples = np.multiply(np.frombuffer(self._bytes, "<i2", count), kind(2.0**-15), dtype=kind)
        else:
            if len(self._upper) < count:
                self._upper = np.zeros(count, dtype=np.int32)
            upper = np.left_shift(np.ndarray((count,), "<i4", self._bytes.data, strides=(3,)), 8, self._upper[:count])
            samples = upper.astype(kind)
            samples *= kind(2.0**-31)
        return np.asarray(samples.reshape(-1, self._channels))


class _Writer:
    """What both writers share: no time of day in the file, errors in one sentence, fsync at the end."""

    def __init__(self, path: Path, rate: int, channels: int, subtype: str, file_format: str) -> None:
        self.path = path
        self.frames = 0
        with self._errors():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: Any = soundfile.SoundFile(
                path, "w", samplerate=rate, channels=channels, format=file_format, subtype=subtype
            )
            _command(self._file, SFC_ADD_PEAK_CHUNK, 0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
            return
        # What went wrong first is what people have to hear of, not what it led to.
        with suppress(PrintqError):
            _Writer.close(self)

    def close(self) -> None:
        """Finish the file and have it written to the disk; safe to call twice."""
        if self._file.closed:
            return
        with self._errors():
            self._file.close()
            _sync(self.path)

    def _put(self, samples: NDArray[Any]) -> None:
        if not len(samples):
            return
        with self._errors():
            self._file.write(samples)
        self.frames += len(samples)

    def _errors(self) -> AbstractContextManager[None]:
        return _writing_errors(self.path)


class TakeWriter(_Writer):
    """Writes a raw take: 32-bit float, every written frame readable after a kill."""

    def __init__(self, path: Path, rate: int, channels: int) -> None:
        super().__init__(path, rate, channels, "FLOAT", "RF64")
        _command(self._file, SFC_RF64_AUTO_DOWNGRADE, 1)
        _command(self._file, SFC_UPDATE_HEADER_AUTO, 1)

    def write(self, block: NDArray[np.float32]) -> None:
        """Add frames, shape (n, channels)."""
        self._put(block)


class PrintWriter(_Writer):
    """Writes a finished print at its word length, with a `bext` chunk ahead of the audio.

    Parameters
    ----------
    bit_depth : int
        16, 24, or 32 for float.
    frames : int
        How long it will be at most: decides whether a plain WAV can hold it.
    broadcast : BroadcastExtension
        Its loudness may be filled in later, see `update_broadcast`.
    dither : Dither, optional
        Added before rounding.
    """

    def __init__(
        self,
        path: Path,
        rate: int,
        channels: int,
        bit_depth: int,
        broadcast: BroadcastExtension,
        *,
        frames: int,
        dither: Dither | None = None,
    ) -> None:
        self._bit_depth = bit_depth
        self._broadcast = broadcast
        self._dither = dither
        self._most_frames = frames
        self.clipped_samples = 0
        size = frames * channels * bit_depth // 8
        super().__init__(
            path,
            rate,
            channels,
            {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}[bit_depth],
            "WAV" if size < MOST_WAV_BYTES else "RF64",
        )
        try:
            _reserve_broadcast(self._file, broadcast.encode())
        except BaseException:
            self._file.close()
            raise

    def write(self, block: Signal) -> None:
        """Add finished frames, shape (n, channels), full scale = 1.0.

        Raises StorageError, and ValueError beyond the number of frames that was announced.
        """
        if self.frames + len(block) > self._most_frames:
            raise ValueError(f"{self.path} was announced with {self._most_frames} frames and gets more")
        if self._bit_depth == 32:
            self._put(block.astype(np.float32))
            return
        quantised = to_integers(block, self._bit_depth, self._dither)
        self.clipped_samples += quantised.clipped
        # libsndfile takes 32-bit integers and keeps their upper bits.
        self._put(quantised.samples << (32 - self._bit_depth))

    def close(self) -> None:
        """Finish the file, fill in the `bext` chunk, and have it written to the disk."""
        if self._file.closed:
            return
        with self._errors():
            self._file.close()
        update_broadcast(self.path, self._broadcast)


class FlacWriter(_Writer):
    """Writes integer samples of a wave file as FLAC, without loss.

    Parameters
    ----------
    bits : int
        16 or 24.
    """

    def __init__(self, path: Path, rate: int, channels: int, bits: int) -> None:
        self._bits = bits
        self._channels = channels
        super().__init__(path, rate, channels, f"PCM_{bits}", "FLAC")

    def write_bytes(self, data: bytes) -> None:
        """Add whole frames as they lie in a wave file: little-endian, interleaved."""
        if self._bits == 16:
            samples: NDArray[Any] = np.frombuffer(data, dtype="<i2").astype(np.int16, copy=False)
        else:
            wide = np.zeros((len(data) // 3, 4), dtype=np.uint8)
            wide[:, 1:] = np.frombuffer(data, dtype=np.uint8).reshape(-1, 3)
            # libsndfile takes 32-bit integers and keeps their upper bits.
            samples = wide.reshape(-1).view("<i4").astype(np.int32, copy=False)
        self._put(samples.reshape(-1, self._channels))


def flac_samples(path: Path, frames: int = 1 << 16, file: BinaryIO | None = None) -> Iterator[bytes]:
    """The samples of a FLAC file of 16 or 24 bits, as they lie in a wave file, in pieces.

    `file`: the same file where it is open already.

    Raises FileError where it is no such file or cannot be decoded to its end.
    """
    with SoundReader(path, file) as reader:
        yield from reader.wave_bytes(frames)


def update_broadcast(path: Path, broadcast: BroadcastExtension) -> None:
    """Rewrite the `bext` chunk of a staged print in place and have it written to the disk.

    The chunk keeps its size; what is left over is zero. Raises StorageError where it cannot be written, ValueError
    where it has no room.
    """
    data = broadcast.encode()
    with _writing_errors(path), path.open("r+b") as file:
        chunk = next((found for found in find_chunks(file) if found.name == b"bext"), None)
        if chunk is None or chunk.size < len(data):
            raise ValueError(f"{path} has no bext chunk with room for {len(data)} bytes")
        file.seek(chunk.start)
        file.write(data.ljust(chunk.size, b"\0"))
        file.flush()
        os.fsync(file.fileno())


def _reserve_broadcast(file: Any, data: bytes) -> None:
    """Have libsndfile put a `bext` chunk ahead of the audio that is large enough for `data`."""
    fixed = struct.unpack("<256s32s32s10s8sIIH64s5h180s", data[:602])
    history = data[602:]
    # SF_BROADCAST_INFO has the same fields with the alignment of the machine, then the history and its length.
    info = struct.pack("@256s32s32s10s8sIIH64s5h180sI", *fixed, len(history)) + history
    buffer = soundfile._ffi.new("char[]", info)
    done = soundfile._snd.sf_command(file._file, SFC_SET_BROADCAST_INFO, buffer, len(info))
    if done != 1:
        raise StorageError(f"{file.name}: this libsndfile takes no bext chunk; install libsndfile 1.0.29 or later")


def _check_is_file(path: Path) -> None:
    """Refuse what cannot hold audio before libsndfile, which has no words for it. Raises FileError."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISREG(mode):
            path.open("rb").close()
    except (FileNotFoundError, NotADirectoryError, ValueError) as error:  # a ValueError: no name that can exist
        raise FileError(f"{path} does not exist; put the file there or correct its path") from error
    except OSError as error:
        raise FileError(f"{path} cannot be read ({_reason(error)}); look at its permissions and its disk") from error
    if stat.S_ISDIR(mode):
        raise FileError(f"{path} is a folder, not an audio file")
    if not stat.S_ISREG(mode):
        raise FileError(f"{path} is no ordinary file, and audio is read from those alone")


def _check_whole(path: Path, opened: BinaryIO | None) -> None:
    """libsndfile shortens a truncated file without a word; the header knows better. Raises FileError."""
    with path.open("rb") if opened is None else nullcontext(opened) as file:
        length = file.seek(0, os.SEEK_END)
        for chunk in find_chunks(file):
            if chunk.name in (b"data", b"SSND"):
                if chunk.size == SIZE_IN_DS64:
                    raise FileError(
                        f"{path} does not say how long it is, as if its writing never ended; export it again"
                    )
                if chunk.start + chunk.size > length:
                    missing = chunk.start + chunk.size - length
                    raise FileError(f"{path} is cut off: {missing} bytes of its audio are missing; copy it again")
                return


def _command(file: Any, command: int, value: int) -> None:
    # soundfile has no public way to these; the names are the same in its releases 0.10 to 0.14.
    soundfile._snd.sf_command(file._file, command, soundfile._ffi.NULL, value)


def _sync(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


@contextmanager
def _writing_errors(path: Path) -> Iterator[None]:
    try:
        with storage_errors(path):
            yield
    except soundfile.LibsndfileError as error:
        if error.code == SF_ERR_SYSTEM and os.name != "nt" and (code := soundfile._ffi.errno):
            # libsndfile only says "System error"; which one is still where the failed call left it.
            with storage_errors(path):
                raise OSError(code, os.strerror(code)) from error
        raise StorageError(f"{path} cannot be written ({_reason(error)}); is the disk full?") from error


def _reason(error: BaseException) -> str:
    text = str(getattr(error, "error_string", "") or getattr(error, "strerror", "") or error)
    return text.rstrip(".")
