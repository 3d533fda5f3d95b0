"""The `bext` chunk against EBU Tech 3285 version 2 (May 2011)."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.errors import FileError
from printq.files.broadcast import (
    BroadcastExtension,
    decode_broadcast,
    read_broadcast,
    round_hundredths,
    to_ascii,
)

from .audio import integers, write


@pytest.mark.parametrize(
    ("value", "field"),
    [(-22.644, -2264), (-22.645, -2265), (-22.646, -2265), (12.764, 1276), (12.765, 1277), (12.766, 1277)],
)
def test_loudness_is_rounded_as_in_the_examples_of_the_standard(value, field):
    """Tech 3285, 2.4: half away from zero."""
    assert round_hundredths(value) == field


@pytest.mark.parametrize("value", [None, float("nan"), float("-inf"), 100.0, -100.0])
def test_what_the_field_cannot_say_is_marked_unused(value):
    """Tech 3285, 2.4: 7FFFh."""
    assert round_hundredths(value) == 0x7FFF


def test_the_fields_lie_where_the_standard_puts_them():
    """Tech 3285, 2.3; F728h is its example for -22.64."""
    data = BroadcastExtension(
        description="D" * 256,
        originator="O" * 32,
        originator_reference="R" * 32,
        origination_date="2011-05-01",
        origination_time="12:34:56",
        time_reference=0x1_9BFCC000,
        loudness_value=-22.644,
        loudness_range=12.764,
        max_true_peak=-1.0,
        max_momentary=-2.0,
        max_short_term=-3.0,
        coding_history=("A=ANALOGUE,M=mono,T=spring",),
    ).encode()
    assert data[0:256] == b"D" * 256
    assert data[256:288] == b"O" * 32
    assert data[288:320] == b"R" * 32
    assert data[320:330] == b"2011-05-01"
    assert data[330:338] == b"12:34:56"
    assert data[338:342] == bytes.fromhex("00c0fc9b")
    assert data[342:346] == bytes.fromhex("01000000")
    assert data[346:348] == bytes.fromhex("0200")
    assert data[348:412] == bytes(64)
    assert data[412:414] == bytes.fromhex("28f7")
    assert data[414:416] == bytes.fromhex("fc04")
    assert data[416:422] == struct.pack("<3h", -100, -200, -300)
    assert data[422:602] == bytes(180)
    assert data[602:] == b"A=ANALOGUE,M=mono,T=spring\r\n"


def ascii_text(size):
    return st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=size)


HUNDREDTHS = st.none() | st.integers(-9999, 9999).map(lambda field: field / 100.0)


@given(
    st.builds(
        BroadcastExtension,
        description=ascii_text(256),
        originator=ascii_text(32),
        originator_reference=ascii_text(32),
        origination_date=st.dates().map(str),
        origination_time=st.times().map(lambda time: time.strftime("%H:%M:%S")),
        time_reference=st.integers(0, 2**64 - 1),
        loudness_value=HUNDREDTHS,
        loudness_range=HUNDREDTHS.map(lambda value: value if value is None else abs(value)),
        max_true_peak=HUNDREDTHS,
        max_momentary=HUNDREDTHS,
        max_short_term=HUNDREDTHS,
        coding_history=st.lists(ascii_text(80).filter(bool), max_size=5).map(tuple),
    )
)
def test_what_is_written_is_read_back(extension):
    assert decode_broadcast(extension.encode()) == extension


def test_accents_fall_off_other_letters_become_question_marks_and_long_texts_are_cut():
    """Tech 3285, 2.3: the texts are ASCII."""
    data = decode_broadcast(BroadcastExtension(description="für Viola, Вальс", originator="x" * 40).encode())
    assert (data.description, data.originator) == ("fur Viola, ?????", "x" * 32)


def test_a_negative_range_is_written_and_read_as_none():
    """Tech 3285, 2.4: a range is 0 to 99.99."""
    data = bytearray(BroadcastExtension(loudness_range=-1.0).encode())
    assert data[414:416] == b"\xff\x7f"
    data[414:416] = struct.pack("<h", -100)
    assert decode_broadcast(bytes(data)).loudness_range is None


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Fjærland – “Größe” × 2", 'Fjaerland - "Grosse" x 2'),
        ("Żółć", "Zolc"),
        ("ファ", "??"),
        ("two\r\nlines\tand a\0", "two  lines and a "),
    ],
)
def test_text_is_spelled_in_ascii_and_in_one_line(text, plain):
    assert to_ascii(text) == plain


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_becomes_printable_ascii(text):
    assert all(" " <= letter <= "~" for letter in to_ascii(text))


def test_a_line_of_the_history_cannot_smuggle_in_another():
    data = BroadcastExtension(coding_history=("A=PCM,T=x\r\nA=ANALOGUE,T=y",)).encode()
    assert decode_broadcast(data).coding_history == ("A=PCM,T=x  A=ANALOGUE,T=y",)


def test_of_a_history_that_is_too_long_the_newest_lines_are_kept():
    lines = tuple(f"A=PCM,F=48000,W=24,M=mono,T=generation {number}" for number in range(1000))
    kept = decode_broadcast(BroadcastExtension(coding_history=lines).encode()).coding_history
    assert 300 < len(kept) < 1000
    assert kept == lines[-len(kept) :]


@pytest.mark.parametrize("text", ["für Viola".encode(), "für Viola".encode("latin-1")], ids=["UTF-8", "Latin-1"])
def test_text_that_others_wrote_beyond_ascii_is_understood(text):
    data = bytearray(BroadcastExtension().encode())
    data[: len(text)] = text
    assert decode_broadcast(bytes(data)).description == "für Viola"


@pytest.mark.parametrize("frames", [-1, 2**64])
def test_a_time_reference_that_has_no_field_is_refused(frames):
    with pytest.raises(ValueError, match="64 bits"):
        BroadcastExtension(time_reference=frames)


@pytest.mark.parametrize("field", [-10_000, 10_000, 0x7FFF, -0x8000])
def test_loudness_out_of_range_is_ignored(field):
    """Tech 3285, 2.4: valid are -99.99 to 99.99."""
    data = bytearray(BroadcastExtension().encode())
    data[412:414] = struct.pack("<h", field)
    assert decode_broadcast(bytes(data)).loudness_value is None


def test_before_version_2_there_is_no_loudness():
    """Tech 3285, 1.1: those bytes were reserved, and zero."""
    assert BroadcastExtension(loudness_value=-23.0, version=1).encode()[412:422] == bytes(10)
    data = bytearray(BroadcastExtension(loudness_value=-23.0).encode())
    data[346:348] = struct.pack("<H", 1)
    assert decode_broadcast(bytes(data)).loudness_value is None


@pytest.mark.parametrize(("kind", "name"), [("WAV", "x.wav"), ("FLAC", "x.flac"), ("AIFF", "x.aiff")])
def test_a_file_without_the_chunk_has_none(tmp_path, kind, name):
    assert read_broadcast(write(tmp_path / name, integers(16), "PCM_16", format=kind)) is None


def test_a_chunk_that_is_too_short_is_told(tmp_path):
    path = write(tmp_path / "x.wav", integers(16))
    data = path.read_bytes()
    path.write_bytes(data[:12] + b"bext\x04\x00\x00\x00abcd" + data[12:])
    with pytest.raises(FileError, match=r"x\.wav: a bext chunk has at least 602 bytes, this one has 4; export"):
        read_broadcast(path)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(FileError, match=r"x\.wav cannot be read"):
        read_broadcast(tmp_path / "x.wav")
