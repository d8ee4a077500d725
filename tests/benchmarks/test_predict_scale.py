"""How predictions grow with a program: the whole matrix of coupled rungs, from 20 to 200.

Absolute figures are of the machine, so only growth is asserted. `pytest tests/benchmarks/test_predict_scale.py -s`
prints it; `python tests/benchmarks/test_predict_scale.py` goes up to 200 rungs and ends with 1 where the goal of 10 s
and 200 MB is missed.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1] / "helpers"
sys.path.insert(0, str(TESTS))
from predict_coupled import coupled  # noqa: E402
from restart_bench.predict.engine import predict  # noqa: E402

GROWTH_LIMIT = 30  # time of eight times the rungs, whose matrix is eight times as large, over that of a first size
SECONDS, MEGABYTES = 10, 200


def measured(rungs: int, *, timers: bool = False) -> tuple[float, int, int]:
    """Seconds of processor time for the whole matrix, how many answers it has, and how many were left open."""
    program = coupled(rungs, timers=timers)
    outputs = [f"{word}{number}" for number in range(rungs // 10) for word in ("motor", "permit")]
    began = time.process_time()  # one thread does it all; other work on the machine does not count
    answers = predict(program, outputs)
    return time.process_time() - began, len(answers), sum(not answer.decided for answer in answers)


def memory_mb(rungs: int) -> int:
    """The most memory that a process of its own needs for it."""
    code = (
        f"import sys, resource; sys.path[:0] = [{str(TESTS)!r}, {str(Path(__file__).parent)!r}]\n"
        f"import test_predict_scale as scale; scale.measured({rungs})\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)"
    )
    return int(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)


def test_time_grows_no_faster_than_the_square_of_the_rungs() -> None:
    """Four times the rungs have four times the answers, each from a program of four times the size."""
    measured(20)  # whatever is loaded once
    small, large = measured(20), measured(80)
    print(f"20 rungs {small[0]:.2f} s for {small[1]} answers, 80 rungs {large[0]:.2f} s for {large[1]}")
    assert large[0] / small[0] < GROWTH_LIMIT
    assert small[2] == large[2] == 0


def main() -> int:
    """The table in full."""
    print("rungs  timers  seconds  answers  open")
    for rungs in (20, 40, 80, 120, 160, 200):
        for timers in (False, True):
            seconds, answers, left_open = measured(rungs, timers=timers)
            print(f"{rungs:5}  {timers!s:6}  {seconds:7.2f}  {answers:7}  {left_open:4}", flush=True)
    needed = memory_mb(200) if sys.platform != "win32" else 0
    print(f"memory for 200 rungs: {needed} MB")
    return int(seconds > SECONDS or needed > MEGABYTES)


if __name__ == "__main__":
    sys.exit(main())
