"""What a day more, and a changed calibration, cost in a season of many days, against the whole season from its logs.

    python tests/benchmarks/bench_incremental.py [DAYS [HOURS]]

The season is a known boat's (16 m, 1 Hz, a log a day; by default 100 days of 3 h), to its windows. Time of the
processor (that of the processes which share the work counts) and time on the clock of `run_campaign`, after everything
has been imported; every figure is a ratio within this run.

Wanted: a day more at most 3 % of the whole, a changed calibration at most 25 %.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from pipeline.chain import run_campaign  # noqa: E402
from tests.known_boat.season import make_season  # noqa: E402

SEED = 7


def timed(what: str, call: Callable[[], object]) -> tuple[float, float]:
    """Processor and clock seconds of a call, printed."""
    wall, cpu = time.perf_counter(), processor_s()
    call()
    took = processor_s() - cpu, time.perf_counter() - wall
    print(f"{what}: {took[0]:.2f} s of the processor, {took[1]:.2f} s", flush=True)
    return took


def processor_s() -> float:
    """Seconds of the processor so far, of this process and of those that it began and that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def main(days: int = 100, hours: float = 3.0) -> None:
    """Make the season, run it, add a day, change the calibration; prints the ratios."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        campaign, out = folder / "campaign", folder / "out"
        make_season(folder / "warm", SEED, "sportboat", days=2, hours=0.5)
        run_campaign(folder / "warm", folder / "warm-out", stages=("ingest", "windows"))
        make_season(campaign, SEED, "cruiser-racer", days=days + 1, hours=hours)
        last = max(campaign.joinpath("logs").iterdir(), key=lambda log: log.name)
        shutil.move(last, folder / last.name)

        def run() -> None:
            print("  " + "\n  ".join(run_campaign(campaign, out, stages=("ingest", "windows")).explained))

        whole = timed(f"{days} days of {hours:g} h from the logs", run)
        nothing = timed("nothing new", run)
        shutil.move(folder / last.name, last)
        day = timed("a day more", run)
        with (campaign / "boat.toml").open("a", encoding="utf-8") as boat:
            boat.write("\n[[calibration.periods]]\nfrom = 2020-01-01\nboat_speed_factor = 1.01\n")
        changed = timed("calibration changed", run)
        for what, took in (("nothing new", nothing), ("a day more", day), ("calibration changed", changed)):
            print(
                f"{what}: {took[0] / whole[0]:.3f} of the whole by the processor, {took[1] / whole[1]:.3f} by the clock"
            )


if __name__ == "__main__":
    main(*(int(v) for v in sys.argv[1:2]), *(float(v) for v in sys.argv[2:3]))
