"""What all benchmarks share."""

import os

# As the workers that check takes have it; it counts if numpy is not there yet, so with benchmarks alone.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
