"""Files on disk: audio in and out, Broadcast Wave, checksums, and writing that is whole or absent."""
