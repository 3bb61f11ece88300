"""Where the work of a fleet is done: on processes of this machine, or on the workers of a Dask cluster."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any

from pipeline.problems import WrongUsage
from pipeline.processes import fresh_processes

# A worker that dies takes its work with it; work that is there at so many deaths is taken for their cause.
MOST_TRIES = 4


@dataclass(frozen=True, slots=True)
class Task:
    """A call, and the keys of the tasks to be done before it."""

    key: str
    call: Callable[..., Any]
    arguments: tuple[Any, ...]
    after: frozenset[str] = frozenset()


class TaskFailed(Exception):
    """A task that could not be done: its worker died again and again, or its program has a fault."""


Outcome = tuple[Task, Any]  # the result of the call, or a `TaskFailed`


def on_processes(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
    """Do the tasks on so many processes; yields each with its result as it is done."""
    waiting = {task.key: task for task in tasks}
    tries: Counter[str] = Counter()
    done: set[str] = set()
    running: dict[Future[Any], Task] = {}
    pool = fresh_processes(workers)
    try:
        while waiting or running:
            ready = [t for t in waiting.values() if t.after <= done][: workers - len(running)]
            for task in ready:
                del waiting[task.key]
                running[pool.submit(task.call, *task.arguments)] = task
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            broken = False
            for future in finished:
                task = running.pop(future)
                error = future.exception()
                if isinstance(error, BrokenProcessPool):
                    broken = True
                    tries[task.key] += 1
                    if tries[task.key] < MOST_TRIES:
                        waiting[task.key] = task
                        continue
                    error = TaskFailed(f"the process died {MOST_TRIES} times while at it")
                done.add(task.key)
                yield task, TaskFailed(repr(error)) if error is not None else future.result()
            if broken:
                pool.shutdown(wait=True)
                waiting |= {task.key: task for task in running.values()}
                running = {}
                pool = fresh_processes(workers)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def on_cluster(tasks: Sequence[Task], scheduler: str) -> Iterator[Outcome]:
    """Do the tasks on the workers of the Dask scheduler at that address; tasks of a worker that dies go to others.

    Raises `WrongUsage` where Dask is not installed or the scheduler does not answer.
    """
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise WrongUsage("--scheduler needs Dask: install peelpoint with its extra `fleet`") from None
    try:
        client = Client(scheduler, set_as_default=False)
    except (OSError, ValueError) as error:
        raise WrongUsage(f"no Dask scheduler answers at {scheduler}: {error}") from None
    with client:
        futures: dict[str, Any] = {}
        for task in tasks:
            before = [futures[key] for key in sorted(task.after)]
            futures[task.key] = client.submit(_after, task.call, task.arguments, before, pure=False)
        of_future = {future.key: task for future, task in zip(futures.values(), tasks, strict=True)}
        for future in as_completed(list(futures.values()), loop=client.loop):
            task = of_future[future.key]
            error = future.exception()
            yield task, TaskFailed(repr(error)) if error is not None else future.result()
            future.release()


def _after(call: Callable[..., Any], arguments: tuple[Any, ...], before: list[Any]) -> Any:
    del before  # only to be waited for
    return call(*arguments)
