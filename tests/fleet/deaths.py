"""Work that its process does not survive. Imports next to nothing, for every new process loads it."""

from __future__ import annotations

import os
import signal
from pathlib import Path


def die_once(mark: str, value: int) -> int:
    """Kills its own process the first time."""
    if not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return value


def die_always() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def fail() -> None:
    raise RuntimeError("a fault of the program")
