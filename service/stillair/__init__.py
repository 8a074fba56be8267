"""Stillair watches the heated chamber in which shrinking plastics are built."""

import os

# A pool of threads for sums this small takes longer than the sums, and spins where the other core
# is busy. Read by numpy's library as it is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
