"""A small simulated rig for tests that need a whole run: a lamp that is set and reset, with short times."""

from __future__ import annotations

from pathlib import Path

from small_rig import BOOT, command, output, rig_text

PROGRAM = """
program: lamp
scan: 10 ms
BOOT
start_pass: none
outputs: at scan end
saved: at once
inputs:
  start: {role: command, rest: off}
memory:
  lamp: {retained: RETAINED}
rungs:
  - {set: lamp, when: start}
  - {reset: lamp, when: lamp AND start AND spare}
  - {coil: spare, when: spare AND NOT start}
"""

SCENARIO = """
scenario: {name}
before:
  - press: start
  - expect: {{lamp: on}}
cut: {{how: supply, off_for: {off_for}}}
after:
  expect:
    {point}: {expected}
"""


class LampSuites:
    """Suites in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def rig(self, name: str = "lamp-trainer", *, retained: bool = True) -> Path:
        """A rig in a folder named after it."""
        folder = self.folder / name
        folder.mkdir()
        points = [command("start", 0), output("lamp", 0), output("spare", 1)]
        defaults = "{settle: 100 ms, watch: 400 ms, longer_than: 50 ms}"
        text = rig_text(name, points, poll="20 ms", rail=8, defaults=defaults, steady="50 ms", within="3 s")
        (folder / "rig.yaml").write_text(text, encoding="utf-8")
        program = PROGRAM.replace("RETAINED", str(retained).lower()).replace("BOOT", BOOT)
        (folder / "program.yaml").write_text(program, encoding="utf-8")
        return folder

    def scenario(self, rig: Path, name: str, expected: str, *, point: str = "lamp", off_for: str = "250 ms") -> None:
        """A scenario beside a rig."""
        text = SCENARIO.format(name=name, point=point, expected=expected, off_for=off_for)
        (rig / f"{name}.yaml").write_text(text, encoding="utf-8")

    def runs(self) -> list[Path]:
        """Folders of the archive."""
        return sorted((self.folder / "logs").glob("rig=*/date=*/run=*"))
