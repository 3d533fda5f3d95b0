"""The queue on disk: what is waiting, running and done, and how to carry on after a crash."""
