"""What the stems are made with: instruments, a voice and a room, in numpy and scipy alone.

Signals are float64, full scale = 1.0, at `RATE`. Everything runs forward in time, so that the first
seconds of a stem can be made without the rest. All chance comes from generators that are handed in.
"""
