"""printq: an offline print queue for analog inserts."""

__version__ = "0.1.0"
