"""Two workers of a Dask cluster against one, each of one thread, on a fleet of sixteen campaigns.

    python tests/benchmarks/bench_fleet.py [CAMPAIGNS [DAYS]]

Prints the time on the clock with one and with two workers and their ratio (wanted: at least 1.7 on two free cores),
and, since other work on the machine spoils that ratio, the processor time of all workers, which tells what
spreading the work costs: the ratio that two free cores allow is 2 x (time with one worker) / (time with two).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from pipeline.fleet.fleet import run_fleet  # noqa: E402
from pipeline.threads import ENVIRONMENT  # noqa: E402
from tests.known_boat.boats import BOATS  # noqa: E402
from tests.known_boat.season import make_season  # noqa: E402


def processor_s() -> float:
    """Processor time of the worker that asks, so far."""
    return time.process_time()


def measure(boats: Path, out: Path, workers: int) -> tuple[float, float]:
    """Clock seconds of the fleet, and processor seconds of its workers."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        client.run(_warm)
        before = sum(client.run(processor_s).values())
        begin = time.perf_counter()
        done = run_fleet([boats], str(out), scheduler=cluster.scheduler_address)
        took = time.perf_counter() - begin
        assert not any(boat.problems for boat in done)
        return took, sum(client.run(processor_s).values()) - before


def _warm() -> None:
    import pipeline.chain  # noqa: F401


def main(campaigns: int = 16, days: int = 4) -> None:
    """Make the fleet and run it twice."""
    os.environ.update(ENVIRONMENT)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for n in range(campaigns):
            make_season(folder / "boats" / f"season-{n:02d}", n, BOATS[n % len(BOATS)], days=days, hours=1.0)
        took = {}
        for workers in (1, 2):
            clock, cpu = took[workers] = measure(folder / "boats", folder / f"out-{workers}", workers)
            print(f"{workers} of one thread: {clock:.1f} s on the clock, {cpu:.1f} s of the processor", flush=True)
        (one, cpu_one), (two, cpu_two) = took[1], took[2]
        print(f"two against one: {one / two:.2f} by the clock, {2 * cpu_one / cpu_two:.2f} allowed by the processor")


if __name__ == "__main__":
    main(*(int(v) for v in sys.argv[1:]))
