"""Kill many runs and count what broke.

python tests/torture/kill_runs.py --kills 200 --at-boundaries 50 --disks 20
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.torture.kills import (
    BOUNDARIES,
    COMMAND,
    STARTS,
    Bench,
    after,
    disturb,
    kill_after,
    kill_at,
    looked_at,
    prepare,
    settings,
    starve,
)

# Runs killed one after the other, before one is let through.
BURST = 5


def full_disks(bench: Bench, places: int) -> Iterator[tuple[str, str | None]]:
    """Runs on small disks of growing size, each made larger afterwards for the next run."""
    size = sum(f.stat().st_size for f in (bench.folder / "whole").rglob("*") if f.is_file())
    disk = bench.folder / "disk"
    disk.mkdir()
    for i, share in enumerate(np.linspace(0.01, 1.1, places)):
        start = STARTS[i % len(STARTS)]
        base = 0 if start == "empty" else sum(f.stat().st_size for f in bench.earlier[start].rglob("*") if f.is_file())
        room = int(base + share * size) + 65536
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={room}", "tmpfs", str(disk)], check=True)
        try:
            out = disk / "out"
            if start != "empty":
                shutil.copytree(bench.earlier[start], out)
            done = subprocess.run(
                [*COMMAND, "run", str(bench.campaign), "--out", str(out)], **settings(), text=True, check=False
            )
            said = done.stderr.strip().splitlines()[-1] if done.stderr.strip() else ""
            wrong = None
            if "Traceback" in done.stderr:
                wrong = f"a traceback: {said}"
            subprocess.run(["mount", "-o", "remount,size=1g", str(disk)], check=True)
            wrong = wrong or looked_at(bench, start, out) or after(bench, out)
            yield f"{start}, {room / 1e6:.1f} MB, status {done.returncode}", wrong
        finally:
            subprocess.run(["umount", str(disk)], check=True)


def little_memory(bench: Bench, places: int) -> Iterator[tuple[str, str | None]]:
    """Runs that may not have more than so much address space."""
    for i, megabytes in enumerate(np.geomspace(200, 4000, places)):
        start = STARTS[i % len(STARTS)]
        status, wrong = starve(bench, start, megabytes)
        yield f"{start}, {megabytes:.0f} MB, status {status}", wrong


def main() -> int:
    """Print every failure and the counts; status 1 where anything broke."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--at-boundaries", type=int, default=2, help="kills at each boundary of stages")
    parser.add_argument("--disks", type=int, default=0, help="sizes of full disk (needs the superuser)")
    parser.add_argument("--memory", type=int, default=0, help="limits of memory")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    broken = 0
    killed: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        bench = prepare(Path(folder))
        print(f"an undisturbed run takes {bench.seconds:.1f} s", flush=True)
        for n in range(0, arguments.kills, BURST):
            start, late = STARTS[n // BURST % len(STARTS)], rng.uniform(0.05, 1.05 * bench.seconds, BURST)
            what = f"kills after {', '.join(f'{x:.2f}' for x in late)} s, from {start}"
            hit, wrong = disturb(bench, start, [kill_after(x) for x in late])
            killed["at random"] += hit
            broken += _tell(what, wrong)
        _counted(killed, "at random")
        for boundary in BOUNDARIES:
            for n in range(0, arguments.at_boundaries, BURST):
                start, late = STARTS[n // BURST % len(STARTS)], [0.0, *rng.uniform(0, 0.15, BURST - 1)]
                what = f"kills {', '.join(f'{x:.3f}' for x in late)} s after the beginning of {boundary}, from {start}"
                hit, wrong = disturb(bench, start, [kill_at(boundary, x) for x in late])
                killed[f"at {boundary}"] += hit
                broken += _tell(what, wrong)
            _counted(killed, f"at {boundary}")
        for name, tried in (
            ("full disk", full_disks(bench, arguments.disks)),
            ("little memory", little_memory(bench, arguments.memory)),
        ):
            for what, wrong in tried:
                print(f"{name}: {what}", flush=True)
                broken += _tell(f"{name}: {what}", wrong)
    print(f"{killed.total()} killed; {broken} broken")
    return int(broken > 0)


def _counted(killed: Counter[str], what: str) -> None:
    """So that a run that is cut short has counted what it did."""
    print(f"killed {what}: {killed[what]}", flush=True)


def _tell(what: str, wrong: str | None) -> int:
    print(".", end="", flush=True, file=sys.stderr)
    if wrong is None:
        return 0
    print(f"{what}: {wrong}", flush=True)
    return 1


if __name__ == "__main__":
    sys.exit(main())
