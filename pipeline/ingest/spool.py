"""A list whose items are kept on the disk beyond a limit, so that memory does not grow with a log."""

from __future__ import annotations

import os
import pickle
import tempfile
import weakref
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import IO, TypeVar, overload

T = TypeVar("T")
S = TypeVar("S")

# So much of a list is kept in memory.
KEPT_BYTES = 16 << 20
# So many tasks are begun ahead of the one whose result is waited for.
AHEAD = 3


class Spool(Sequence[T]):
    """Items by number, each pickled into a file in `folder` that has no name once what is held exceeds KEPT_BYTES."""

    def __init__(self, folder: Path | None = None) -> None:
        """An empty list; without `folder` the system's own place for temporary files serves."""
        self._folder = folder
        self._items: list[T | tuple[int, int]] = []
        self._on_disk: list[bool] = []
        self._held = 0
        self._file: IO[bytes] | None = None
        self._end = 0

    def append(self, item: T, size: int) -> None:
        """Add an item that takes `size` bytes of memory."""
        away = self._held + size > KEPT_BYTES
        self._on_disk.append(away)
        if not away:
            self._held += size
            self._items.append(item)
            return
        if self._file is None:
            self._file = tempfile.TemporaryFile(dir=self._folder, buffering=0)  # noqa: SIM115 (closed with the list)
            weakref.finalize(self, self._file.close)
        packed = pickle.dumps(item, protocol=5)
        written = 0
        while written < len(packed):
            written += os.pwrite(self._file.fileno(), memoryview(packed)[written:], self._end + written)
        self._items.append((self._end, len(packed)))
        self._end += len(packed)

    def __len__(self) -> int:
        """Number of items."""
        return len(self._items)

    @property
    def is_in_memory(self) -> bool:
        """Whether no item is on the disk."""
        return self._file is None

    @overload
    def __getitem__(self, i: int) -> T: ...
    @overload
    def __getitem__(self, i: slice) -> list[T]: ...
    def __getitem__(self, i: int | slice) -> T | list[T]:
        """Item i."""
        if isinstance(i, slice):
            return [self[n] for n in range(*i.indices(len(self)))]
        item = self._items[i]
        if not self._on_disk[i]:
            return item  # type: ignore[return-value]
        at, size = item  # type: ignore[misc]
        assert self._file is not None
        # The file has no name, so that nobody else can have written to it.
        found: T = pickle.loads(os.pread(self._file.fileno(), size, at))  # noqa: S301
        return found

    def close(self) -> None:
        """Give the disk's room back; the items are gone."""
        self._items, self._on_disk = [], []
        if self._file is not None:
            self._file.close()
            self._file = None


def in_order(pool: Executor | None, task: Callable[[S], T], items: Iterable[S], ahead: int = AHEAD) -> Iterator[T]:
    """The results of a task on each item, in order; a few are worked on ahead where there is a pool."""
    if pool is None:
        yield from map(task, items)
        return
    waiting: list[Future[T]] = []
    try:
        for item in items:
            waiting.append(pool.submit(task, item))
            if len(waiting) > ahead:
                yield waiting.pop(0).result()
        while waiting:
            yield waiting.pop(0).result()
    finally:
        for future in waiting:
            future.cancel()
