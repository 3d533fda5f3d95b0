"""What can be said of audio files by themselves: the figures of one, and two of them lined up and subtracted."""
