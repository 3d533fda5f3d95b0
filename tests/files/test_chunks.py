"""The chunks of a wave file, whole and damaged: RIFF, and EBU Tech 3306 for sizes over 4 GiB."""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.errors import FileError
from printq.files.broadcast import BroadcastExtension, Chunk, find_chunks, read_broadcast


def wave(*chunks, outer=b"RIFF"):
    return io.BytesIO(outer + bytes(4) + b"WAVE" + b"".join(chunks))


def chunk(name, data, size=None, pad=True):
    size = len(data) if size is None else size
    return name + size.to_bytes(4, "little") + data + (b"\0" if pad and len(data) % 2 else b"")


def test_chunks_of_odd_sizes_are_found_with_their_pad_byte_and_without():
    """RIFF pads to even sizes without counting the byte; some writers forget it."""
    for pad in (True, False):
        file = wave(chunk(b"odd ", b"abc", pad=pad), chunk(b"data", b"12"))
        assert [found.name for found in find_chunks(file)] == [b"odd ", b"data"]


@pytest.mark.parametrize("outer", [b"RF64", b"BW64"])
def test_sizes_over_4_gib_come_from_the_ds64_chunk(outer):
    """EBU Tech 3306: RIFF size, data size, sample count, then a table of other chunks."""
    ds64 = struct.pack("<QQQI4sQ", 0, 2**33, 0, 1, b"list", 2**34)
    file = wave(chunk(b"ds64", ds64), chunk(b"data", b"", 0xFFFFFFFF), outer=outer)
    assert list(find_chunks(file)) == [Chunk(b"ds64", 20, 40), Chunk(b"data", 68, 2**33)]
    file = wave(chunk(b"ds64", ds64), chunk(b"list", b"", 0xFFFFFFFF), outer=outer)
    assert list(find_chunks(file))[1].size == 2**34


def test_the_walk_ends_where_no_chunk_can_be():
    """Eight zeros are no header: a take that lost its sizes must not be searched in steps of eight bytes."""
    assert [found.name for found in find_chunks(wave(chunk(b"fmt ", b"12"), bytes(1000)))] == [b"fmt "]


@given(st.binary(max_size=200), st.sampled_from([b"RIFF", b"RF64", b"BW64"]))
def test_whatever_a_file_holds_the_walk_comes_to_an_end(tail, outer):
    starts = [found.start for found in find_chunks(wave(tail, outer=outer))]
    assert starts == sorted(set(starts))


@given(st.integers(0, 2**32 - 1))
def test_a_wrong_size_does_not_fetch_more_than_the_file_has(tmp_path_factory, size):
    path = tmp_path_factory.mktemp("sizes") / "x.wav"
    extension = BroadcastExtension(description="harp", time_reference=7)
    path.write_bytes(wave(chunk(b"bext", extension.encode(), size)).getvalue())
    if size < 602:
        with pytest.raises(FileError, match="has at least 602 bytes"):
            read_broadcast(path)
    else:
        assert read_broadcast(path) == extension
