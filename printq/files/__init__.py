"""Files on disk: audio in and out, Broadcast Wave, checksums, and writing that is whole or absent."""

from printq.files.atomic import free_bytes, publish, write_atomically
from printq.files.broadcast import BroadcastExtension, decode_broadcast, read_broadcast
from printq.files.checksums import AudioHasher, file_sha256
from printq.files.quantise import Dither, fits, to_integers
from printq.files.soundfiles import FileFacts, PrintWriter, SoundReader, TakeWriter, read_facts, update_broadcast
from printq.files.stems import StemPart, StemReader

__all__ = [
    "AudioHasher",
    "BroadcastExtension",
    "Dither",
    "FileFacts",
    "PrintWriter",
    "SoundReader",
    "StemPart",
    "StemReader",
    "TakeWriter",
    "decode_broadcast",
    "file_sha256",
    "fits",
    "free_bytes",
    "publish",
    "read_broadcast",
    "read_facts",
    "to_integers",
    "update_broadcast",
    "write_atomically",
]
