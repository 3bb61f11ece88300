"""Processes to share work out to."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.context import SpawnContext, SpawnProcess
from multiprocessing.process import BaseProcess
from types import ModuleType
from typing import Any

from pipeline.threads import ENVIRONMENT


def fresh_processes(count: int) -> ProcessPoolExecutor:
    """So many processes of one thread each, which end when this one does.

    They are begun anew, not forked: a fork would inherit the locks of this one's threads.
    """
    return ProcessPoolExecutor(count, mp_context=_Fresh(), initializer=_begin)


class _Process(SpawnProcess):
    """A process that does not run the main script again, whose `if __name__ == "__main__"` may be lacking."""

    @staticmethod
    def _Popen(process_obj: BaseProcess) -> Any:
        main, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")
        try:
            return SpawnProcess._Popen(process_obj)  # type: ignore[attr-defined]
        finally:
            sys.modules["__main__"] = main


class _Fresh(SpawnContext):
    Process = _Process


def _begin() -> None:
    os.environ.update(ENVIRONMENT)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that began this one says what is to end
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
