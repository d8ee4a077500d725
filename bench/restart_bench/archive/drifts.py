"""Whether controllers get slower from cycle to cycle over an archive: by rig, program and controller.

Cycles are only compared with those of the same case, on the same rig, of the same program on the same controller; what
is asked is the boot time, from the restored supply to `ready`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from restart_bench.archive.files import ArchiveError, run_folders, run_id_of
from restart_bench.archive.queries import TOLD, over_cycles
from restart_bench.archive.reader import read_run_json
from restart_bench.campaigns.order_statistics import Drift, drift

CHANCE = 0.05
"""How often chance alone may make any drift be told, over all that are looked at (Bonferroni 1936)."""
BOOTS = f"""{TOLD}
    SELECT rig, run, simulated, scenario, "case", greatest(ready_not_before_ns - restored_not_after_ns, 0),
        ready_not_after_ns - restored_not_before_ns
    FROM told
    WHERE NOT rehearsal AND boots AND scenario = coalesce(?, scenario)
        AND ready_not_after_ns IS NOT NULL AND restored_not_before_ns IS NOT NULL
    ORDER BY rig, simulated, scenario, "case", run, cycle
"""
_DIGITS = 8  # of a digest


@dataclass(frozen=True, slots=True)
class DriftRow:
    """Boot times of one case in the order of time, ns. `program`: what identifies it, as it was read, else its file;
    `controller`: what the devices said they are. "" where nothing tells."""

    rig: str
    program: str
    controller: str
    scenario: str
    case: str
    simulated: bool
    runs: int
    boots: int
    drift: Drift
    is_sure: bool


def drifts(logs: Path, *, rig: str | None = None, scenario: str | None = None) -> list[DriftRow]:
    """Every case with two boots or more; `is_sure` where chance does not explain its drift. Raises ArchiveError where
    no table of cycles can be read."""
    known = {run_id_of(folder): _tested(folder) for folder in run_folders(logs)}

    def case_of(row: tuple[Any, ...]) -> tuple[Any, ...]:
        return (row[0], *known.get(row[1], ("", "")), *row[2:5])

    rows = sorted(over_cycles(logs, rig, BOOTS, scenario), key=case_of)
    found = []
    for case, boots in itertools.groupby(rows, case_of):
        told = list(boots)
        if len(told) > 1:
            found.append((case, len({row[1] for row in told}), len(told), drift([(row[5], row[6]) for row in told])))
    return [
        DriftRow(
            rig, program, controller, scenario, case, simulated, runs, boots, moved, moved.p_value * len(found) < CHANCE
        )
        for (rig, program, controller, simulated, scenario, case), runs, boots, moved in found
    ]


def _tested(folder: Path) -> tuple[str, str]:
    """Program and controller of a run, as far as its run.json tells."""
    try:
        told = read_run_json(folder)
        read = {name: values for name, values in (told.get("program_identity") or {}).items() if values}
        program = ", ".join(f"{name} {'/'.join(f'{one:g}' for one in values)}" for name, values in read.items())
        files = (f"{one['name']} {str(one['sha256'])[:_DIGITS]}" for one in told["inputs"] if one["kind"] == "program")
        said = (f"{device}: {text}" for device, text in (told.get("identities") or {}).items() if text)
        return program or next(files, ""), ", ".join(said)
    except (ArchiveError, AttributeError, KeyError, TypeError, ValueError):
        return "", ""
