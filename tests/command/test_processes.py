"""Processes that share the work: a script that begins them needs no guard, and none outlives it."""

import subprocess
import sys

UNGUARDED = """
from pipeline.processes import fresh_processes
with fresh_processes(1) as pool:
    print("eight is", pool.submit(pow, 2, 3).result())
"""
WAITING = """
import os, time
from pipeline.processes import fresh_processes
pool = fresh_processes(1)
print(pool.submit(os.getpid).result(), flush=True)
pool.submit(time.sleep, 60)
time.sleep(60)
"""


def test_the_main_script_is_not_run_again(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(UNGUARDED)
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr, done.returncode) == ("eight is 8\n", "", 0)


def test_processes_end_with_the_one_that_began_them(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(WAITING)
    command = [sys.executable, script]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as run:
        assert run.stdout is not None and int(run.stdout.readline()) != run.pid
        run.kill()
        run.communicate(timeout=30)  # its output ends only when nobody is left to write to it
