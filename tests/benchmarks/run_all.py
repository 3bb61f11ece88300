"""Runs every benchmark of speed and memory in this folder, one after the other: each is a script with a `main()`.

python tests/benchmarks/run_all.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def main() -> None:
    failed = []
    for script in sorted(Path(__file__).parent.glob("bench_*.py")):
        print(f"== {script.name}", flush=True)
        if subprocess.run([sys.executable, str(script)], check=False).returncode:
            failed.append(script.name)
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
