"""How much memory the service takes, and spares.

Measured on x86-64 with Python 3.11, in MB of 10^6 bytes that lie in memory (VmRSS), after ten
minutes: DEVELOPERS.md has the table. Nothing here imports more than it has to: `begin` comes
before all libraries.
"""

from __future__ import annotations

import ctypes
import gc
import os
from contextlib import suppress

M_ARENA_MAX = -8  # malloc.h of the GNU C library


def begin() -> None:
    """Have the libraries that are loaded next take less; call it before any of them.

    The C library gives each thread a heap of its own, of which much is never given back: with
    one for all, which 25 threads of Python hardly ever want at once, 4 of 169 MB are spared.
    The linear algebra of NumPy keeps a thread for each core, and is never asked for more than
    a few numbers. What is loaded stays for ever: to look through it for rubbish meanwhile,
    again and again, took a fifth of the start. `settle` has it done once.
    """
    gc.disable()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with suppress(OSError, AttributeError):  # another C library has no such thing
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)


def settle() -> None:
    """Leave what stays for ever, modules and tables, out of every garbage collection.

    Measured with 115,000 objects: a full collection held all threads up for
    75 ms, a reading with them, and the end of the process took 0.38 s instead
    of 0.03 s.
    """
    gc.collect()
    gc.freeze()
    gc.enable()
