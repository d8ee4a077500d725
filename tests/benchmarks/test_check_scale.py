"""How long it takes to read a suite of many scenarios, side by side with YAML's own reading of the same files.

Absolute figures are of the machine, so only the ratio is asserted. `python tests/benchmarks/test_check_scale.py` reads
the full 10,000 scenarios and ends with 1 where the ratio is missed.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from pathlib import Path

import yaml

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))
from file_suites import PROGRAM, RIG, SCENARIO
from restart_bench.suite.loader import load_suites
from restart_bench_drivers.registry import cards

LIMIT = 1.5  # reading and checking against PyYAML's safe_load alone, which is not the library in C


def write_suite(folder: Path, scenarios: int) -> Path:
    """A suite of this many scenarios."""
    folder.mkdir()
    (folder / "rig.yaml").write_text(RIG, encoding="utf-8")
    (folder / "program.yaml").write_text(PROGRAM, encoding="utf-8")
    for number in range(scenarios):
        text = re.sub(r"^scenario: .*$", f"scenario: s{number}", SCENARIO, count=1, flags=re.MULTILINE)
        (folder / f"s{number:05}.yaml").write_text(text, encoding="utf-8")
    return folder


def seconds(folder: Path, turns: int) -> tuple[float, float]:
    """Processor time of ours and of YAML's own reading, the best of some turns by turns."""
    ours = theirs = float("inf")
    known = cards()
    for _ in range(turns):
        begun = time.process_time()
        (suite,) = load_suites([folder], cards=known)
        ours = min(ours, time.process_time() - begun)
        begun = time.process_time()
        read = [yaml.safe_load(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("s*.yaml"))]
        theirs = min(theirs, time.process_time() - begun)
        assert len(suite.scenarios) == len(read)
    return ours, theirs


def test_a_suite_is_read_in_little_more_time_than_yaml_takes(tmp_path: Path) -> None:
    """At most one and a half times what YAML's own reading of the same files takes."""
    ours, theirs = seconds(write_suite(tmp_path / "suite", 150), turns=3)
    assert ours <= LIMIT * theirs, (ours, theirs)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        ours, theirs = seconds(write_suite(Path(place) / "suite", 10_000), turns=1)
    print(f"10,000 scenarios: ours {ours:.1f} s, YAML alone {theirs:.1f} s, ratio {ours / theirs:.2f}")
    sys.exit(ours > LIMIT * theirs)
