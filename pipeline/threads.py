"""How many threads or processes the work may take: as many as there are cores, or one where these are shared out."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

_single = False

# For new processes: Polars and BLAS read these when they are loaded.
ENVIRONMENT = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def allowed() -> int:
    """Threads, or processes at work at a time, that this process may have."""
    return 1 if _single else os.cpu_count() or 1


@contextmanager
def one_thread() -> Iterator[None]:
    """Within, one thread is allowed."""
    global _single
    before, _single = _single, True
    try:
        yield
    finally:
        _single = before
