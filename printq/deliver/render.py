"""A finished print in staging, made from a take.

The take is trimmed, decoded from mid-side, turned where its insert inverts, brought to level, blended
with its source where the job says so, and written at the print's word length. With a whole-sample trim
and no gain not one bit of it is changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.audio.channels import from_returns, widen
from printq.deliver.order import PrintOrder
from printq.files.broadcast import BroadcastExtension
from printq.files.checksums import AudioHasher
from printq.files.quantise import Dither, fits
from printq.files.soundfiles import PrintWriter, SoundReader
from printq.files.stems import StemReader
from printq.measure.shift import FractionalShift
from printq.models.delivery import RenderedPrint, Trim
from printq.models.take import TakeRecord
from printq.units import db_to_ratio

__all__ = ["render_print"]

Signal = NDArray[np.float64]

BLOCK_FRAMES = 1 << 16


def render_print(order: PrintOrder, trim: Trim, staged: Path, broadcast: BroadcastExtension) -> RenderedPrint:
    """Write the print of a take to `staged`, which is replaced if it is there.

    Dither is added to the whole print exactly when one of its samples cannot be represented at the
    print's word length; it is seeded from the samples of the take that the print is made of, so the
    same take always gives the same print.

    Raises
    ------
    FileError
        The take or the source cannot be read.
    StorageError
        The print cannot be written, or does not fit on the disk.
    """
    staged.parent.mkdir(parents=True, exist_ok=True)
    raw = AudioHasher(order.each.rate, order.take.channels)
    plain = _write(order, trim, staged, broadcast, raw, None)
    if plain is not None:
        return plain
    dithered = _write(order, trim, staged, broadcast, None, Dither(raw.digest(), order.each.channels))
    assert dithered is not None, "with dither nothing asks for another round"
    return dithered


def _write(
    order: PrintOrder,
    trim: Trim,
    staged: Path,
    broadcast: BroadcastExtension,
    raw: AudioHasher | None,
    dither: Dither | None,
) -> RenderedPrint | None:
    """One round; None when a sample does not fit and no dither was given (`raw` is complete then)."""
    staged.unlink(missing_ok=True)
    each, bit_depth = order.each, order.options.bit_depth
    exact = as_it_came = True
    missing = 0
    written = 0
    with PrintWriter(
        staged, each.rate, each.channels, bit_depth, broadcast, frames=each.print_frames, dither=dither
    ) as writer:
        for returned, finished, short in _finished_blocks(order, trim):
            missing += short
            if raw is not None:
                raw.add(returned)
                exact = exact and fits(finished, bit_depth)
                as_it_came = as_it_came and finished is returned
            if exact or dither is not None:
                writer.write(finished)
                written += len(finished)
    if not exact and dither is None:
        return None
    return RenderedPrint(
        staged=staged.name,
        frames=written,
        channels=each.channels,
        rate=each.rate,
        bit_depth=bit_depth,
        dithered=dither is not None,
        clipped_samples=writer.clipped_samples,
        audio_sha256=raw.hexdigest() if raw is not None and as_it_came else "",
        missing_frames=missing,
    )


def _finished_blocks(order: PrintOrder, trim: Trim) -> Iterator[tuple[Signal, Signal, int]]:
    """Blocks of the raw return, of the finished print, and frames that the take lacks."""
    each, insert, take = order.each, order.insert, order.take
    gain = db_to_ratio(each.return_db) * (-1.0 if insert.inverts else 1.0)
    between = trim.fraction if order.options.align == "subsample" or each.blend < 1.0 else 0.0
    start = take.layout.material_at + trim.frames
    with (
        SoundReader(order.take_path) as reader,
        StemReader(order.parts, each.source_channels, each.source_frames) as stem,
    ):
        for returned, short in _lined_up(reader, start, between, each.print_frames, take):
            finished = from_returns(returned, insert.mode)
            if gain != 1.0:
                finished = finished * gain
            if each.blend < 1.0:
                dry = widen(stem.read(len(finished)), each.channels)
                finished = each.blend * finished
                finished[: len(dry)] += (1.0 - each.blend) * dry
            yield returned, finished, short


def _lined_up(
    reader: SoundReader, start: int, between: float, frames: int, take: TakeRecord
) -> Iterator[tuple[Signal, int]]:
    """`frames` frames of the take's insert channels from `start + between` on, and how many it lacks."""
    shift = FractionalShift(between, take.channels) if between else None
    lead = shift.lead_frames if shift else 0
    trail = shift.trail_frames if shift else 0
    position = start - lead
    left = frames + lead + trail
    skip = max(0, -position)
    reader.seek(min(max(0, position), take.frames))
    while left > 0:
        size = min(BLOCK_FRAMES, left)
        block = np.zeros((size, take.channels))
        ahead = min(skip, size)
        got = reader.read(size - ahead)[:, : take.channels]
        block[ahead : ahead + len(got)] = got
        short = size - ahead - len(got)
        skip -= ahead
        left -= size
        if shift is not None:
            block = shift.process(block)
        if len(block):
            yield block, short
