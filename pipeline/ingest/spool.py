"""A list whose items are kept on the disk beyond a limit, so that memory does not grow with a log."""

from __future__ import annotations

import errno
import os
import tempfile
import weakref
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import IO, Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")

# So much of a list is kept in memory.
KEPT_BYTES = 16 << 20


@dataclass(frozen=True, slots=True)
class _Away:
    """An array on the disk."""

    at: int
    shape: tuple[int, ...]
    dtype: np.dtype[Any]


class Spool(Generic[T]):
    """Items by number; beyond KEPT_BYTES their arrays lie in a file in `folder` that has no name.

    Items are made of dictionaries, lists, tuples and dataclasses; only arrays of numbers go to the disk.
    """

    def __init__(self, folder: Path | None = None) -> None:
        """An empty list; without `folder` the system's own place for temporary files serves."""
        self._folder = folder
        self._items: list[T] = []
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
        put: dict[int, _Away] = {}
        self._items.append(_changed(item, lambda array: self._written(array, put)))

    def _written(self, array: NDArray[Any], put: dict[int, _Away]) -> _Away:
        """Where an array lies now; one that an item holds twice is written once."""
        assert self._file is not None and array.dtype.kind in "iufb"
        if id(array) not in put:
            put[id(array)] = _Away(self._end, array.shape, array.dtype)
            rest = memoryview(np.ascontiguousarray(array)).cast("B") if array.size else memoryview(b"")
            while rest:
                written = os.pwrite(self._file.fileno(), rest, self._end)
                self._end += written
                rest = rest[written:]
        return put[id(array)]

    def __reduce__(self) -> tuple[Callable[..., Spool[T]], tuple[list[T]]]:
        """The items, for another process: it holds them in memory, so they are to be few."""
        return _of_items, (list(self),)

    def __len__(self) -> int:
        """Number of items."""
        return len(self._items)

    @property
    def is_in_memory(self) -> bool:
        """Whether no item is on the disk."""
        return self._file is None

    def __getitem__(self, i: int) -> T:
        """Item i."""
        if not self._on_disk[i]:
            return self._items[i]
        got: dict[_Away, NDArray[Any]] = {}
        return _changed(self._items[i], lambda away: self._read(away, got))

    def _read(self, away: _Away, got: dict[_Away, NDArray[Any]]) -> NDArray[Any]:
        if away not in got:
            assert self._file is not None
            got[away] = array = np.empty(away.shape, away.dtype)
            if array.size and os.preadv(self._file.fileno(), [array], away.at) != array.nbytes:
                raise OSError(errno.EIO, "a temporary file is shorter than what was written")
        return got[away]

    def __iter__(self) -> Iterator[T]:
        """The items in order."""
        return (self[i] for i in range(len(self)))

    def close(self) -> None:
        """Give the disk's room back; the items are gone."""
        self._items, self._on_disk = [], []
        if self._file is not None:
            self._file.close()
            self._file = None


def _of_items(items: list[T]) -> Spool[T]:
    out: Spool[T] = Spool()
    out._items, out._on_disk = items, [False] * len(items)
    return out


def _changed(item: Any, change: Callable[[Any], Any]) -> Any:
    """The same item with `change` made of each array in it."""
    if isinstance(item, (np.ndarray, _Away)):
        return change(item)
    if isinstance(item, dict):
        return {key: _changed(value, change) for key, value in item.items()}
    if isinstance(item, (list, tuple)):
        return type(item)(_changed(value, change) for value in item)
    if is_dataclass(item) and not isinstance(item, type):
        return replace(item, **{f.name: _changed(getattr(item, f.name), change) for f in fields(item)})
    return item
