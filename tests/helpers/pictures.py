"""Draws the README's picture of the live screen from an archived run: `python tests/helpers/pictures.py RUN [OUT]`.

The picture is what the screen showed in the middle of a cut, with the same code; nothing in it is made up.
"""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

from rich.console import Console

from restart_bench.archive.reader import ArchivedRun, find_run
from restart_bench.model.journal import CycleJudged
from restart_bench.model.live import LiveState
from restart_bench.screen.frame import frame
from restart_bench.screen.replay import played_cycle
from restart_bench.screen.screen_state import Gathered
from restart_bench.screen.strips import UNICODE

WIDTH, HEIGHT = 100, 31
STEP_NS = 100_000_000
OUT = Path(__file__).resolve().parents[2] / ".pictures" / "live-screen.svg"
FORM = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {terminal_width} {terminal_height}" role="img">
<title>@title@</title>
<style>
text {{ font-family: "DejaVu Sans Mono", "Liberation Mono", Consolas, Menlo, monospace; font-size: {char_height}px;
  line-height: {line_height}px; font-variant-east-asian: full-width; }}
{styles}
</style>
<rect width="100%" height="100%" fill="#12161c"/>
<g transform="translate(8, 8)">{backgrounds}{matrix}</g>
<defs>{lines}</defs>
</svg>
"""


def gathered_at_the_cut(run: ArchivedRun, number: int) -> Gathered:
    """What the screen knew halfway between the cut and the restored supply of one cycle, the cycles before included."""
    suite = run.suite()
    scenario = run.cycle_records[number].started.scenario
    made = Gathered(suite.rig, tuple(one for one in suite.scenarios if one.name == scenario), simulated=True)
    judged = {one.cycle: one for one in run.records if isinstance(one, CycleJudged)}
    for records, samples in run.cycles():
        cycle = records.started.cycle
        switched = {one.purpose: one.after_ns for one in records.switchings}
        halfway = (switched["cut"] + switched["restore"]) // 2 if {"cut", "restore"} <= switched.keys() else None
        played = played_cycle(
            suite.rig, records, judged[cycle], samples, of_cycles=len(run.cycle_records), step_ns=STEP_NS
        )
        for one in played:
            if isinstance(one.shown, LiveState):
                made.live(one.shown)
            else:
                made.record(one.shown)
            if cycle == number and halfway is not None and one.at_ns >= halfway:
                return made
    raise SystemExit(f"cycle {number} has no cut")


def _with_margin(svg: str) -> str:
    """The picture with eight units of margin all round."""

    def wider(found: re.Match[str]) -> str:
        return f'viewBox="0 0 {float(found[1]) + 16:g} {float(found[2]) + 24:g}"'

    return re.sub(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', wider, svg, count=1)


def main() -> None:
    """Draws the last cycle with a supply cut of the run named."""
    run = ArchivedRun.open(find_run(sys.argv[1], Path("logs")))
    out = Path(sys.argv[2]) if len(sys.argv) > 2 else OUT
    cuts = [number for number, one in run.cycle_records.items() if any(s.what == "supply" for s in one.switchings)]
    console = Console(record=True, width=WIDTH, height=HEIGHT, file=io.StringIO(), force_terminal=True)
    for line in frame(gathered_at_the_cut(run, cuts[-1]), WIDTH, HEIGHT, UNICODE):
        console.print(line)
    title = f"restart-bench in the middle of a cut, run {run.id}"
    drawn = console.export_svg(code_format=FORM.replace("@title@", title), unique_id="screen")
    out.write_text(_with_margin(drawn), encoding="utf-8")
    print(out)


if __name__ == "__main__":
    main()
