"""Work on many items side by side, on processes.

Threads do not serve: the work is many short steps over arrays, and two threads that take turns at the interpreter's
lock between such steps were slower than one (`bench_ingest.py`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent import futures
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from pipeline.processes import fresh_processes

T = TypeVar("T")
S = TypeVar("S")


class Workers:
    """As many processes as make up `count` together with this one, which does its share of the work.

    It does all of it as long as they have not begun, and where they died. Use as a context.
    """

    def __init__(self, count: int) -> None:
        """No process yet."""
        self.others = count - 1
        self._pool: ProcessPoolExecutor | None = None
        self._begun: list[Future[None]] = []

    def begin(self, *, wait: bool = False) -> None:
        """Begin the processes, which takes them half a second; a system that has no room for them goes without."""
        if self._pool is None and self.others > 0:
            try:
                self._pool = fresh_processes(self.others)
                self._begun = [self._pool.submit(_load) for _ in range(self.others)]
            except (OSError, NotImplementedError):
                self._end()
        if wait:
            futures.wait(self._begun)

    def in_order(self, task: Callable[[S], T], items: Iterable[S]) -> Iterator[T]:
        """The results of a task on each item, in order; some items are taken ahead of the result waited for."""
        waiting: deque[tuple[Future[T], S]] = deque()
        try:
            for item in items:
                busy = sum(not future.done() for future, _ in waiting)
                future = self._submitted(task, item) if busy < 2 * self.others else None
                waiting.append((future or _done(task, item), item))
                while waiting and (waiting[0][0].done() or len(waiting) > 4 * self.others):
                    yield self._result(task, *waiting.popleft())
            while waiting:
                yield self._result(task, *waiting.popleft())
        finally:
            for future, _ in waiting:
                future.cancel()

    def _submitted(self, task: Callable[[S], T], item: S) -> Future[T] | None:
        """The result to come; None where there is no process to do the task."""
        if self._pool is None or not any(begun.done() for begun in self._begun):
            return None
        try:
            return self._pool.submit(task, item)
        except BrokenProcessPool:
            self._end()
            return None

    def _result(self, task: Callable[[S], T], future: Future[T], item: S) -> T:
        try:
            return future.result()
        except BrokenProcessPool:
            self._end()
            return task(item)

    def _end(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def __enter__(self) -> Workers:
        """The workers themselves."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the processes."""
        self._end()


def _done(task: Callable[[S], T], item: S) -> Future[T]:
    """The result of the task, done here and now."""
    future: Future[T] = Future()
    future.set_result(task(item))
    return future


def _load() -> None:
    """What a new process does first."""
    import pipeline.ingest.read_log  # noqa: F401
