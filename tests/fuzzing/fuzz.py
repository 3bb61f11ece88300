"""Coverage-guided fuzzing of one reader (needs `atheris`, which is not among the test dependencies).

    pip install atheris
    python tests/fuzzing/fuzz.py nmea --seconds 1440 --corpus FOLDER

Starts from the generated cases in FOLDER (made there if it is empty) and stops at the first broken promise, crash, or
case of over a second, which it writes to the working directory; such a file belongs into `tests/fuzzing/found/TARGET`.
Seconds are the processor's, so that other work on the machine neither shortens the search nor looks like a hang. The
search goes on in rounds from the corpus kept so far: the fuzzer itself grows by some 65 kB a case and would hit its own
limit of memory, which is there for the readers.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[2]))

with atheris.instrument_imports(include=["pipeline"]):
    from tests.fuzzing.targets import TARGETS

SEEDS = 300
LONGEST_S = 1.0
ROUND_S = 240


def _sow(target: str, corpus: Path) -> None:
    """Generated cases as a first corpus."""
    from hypothesis import HealthCheck, Phase, given, settings

    from tests.fuzzing.inputs import INPUTS

    corpus.mkdir(parents=True, exist_ok=True)
    if any(corpus.iterdir()):
        return

    @settings(
        max_examples=SEEDS,
        database=None,
        phases=[Phase.generate],
        deadline=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(INPUTS[target])
    def keep(data: bytes) -> None:
        (corpus / f"{abs(hash(data)):x}").write_bytes(data)

    keep()


def _within(target: str, seconds: float) -> Callable[[bytes], None]:
    """The target, held to a second a case; ends the process when its time is up."""

    def one(data: bytes) -> None:
        began = time.process_time()
        TARGETS[target](data)
        now = time.process_time()
        assert now - began < LONGEST_S, f"took {now - began:.1f} s"
        if now > seconds:
            os._exit(0)

    return one


def main() -> int:
    """Fuzz until the time is up; the status of the round that found something, else 0."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--corpus", type=Path, required=True)
    arguments = parser.parse_args()
    for left in range(arguments.seconds - ROUND_S, 0, -ROUND_S):
        this_round = [arguments.target, "--seconds", str(ROUND_S), "--corpus", str(arguments.corpus)]
        status = subprocess.run([sys.executable, __file__, *this_round], check=False).returncode
        if status:
            return status
        arguments.seconds = left
    _sow(arguments.target, arguments.corpus)
    # What never ends is stopped by the clock.
    options = ["-timeout=60", "-max_len=4096", "-rss_limit_mb=2048"]
    one = _within(arguments.target, arguments.seconds)
    atheris.Setup([sys.argv[0], *options, str(arguments.corpus)], one)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
