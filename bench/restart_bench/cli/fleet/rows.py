"""What the parent knows of each rig while its child run lasts, and what comes of them all. No clock, no console.

A child tells of itself in messages, a JSON object each: `began`, `opened`, `state`, `cycle`, `note`, `ended`,
`refused`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from restart_bench.model.live import Left
from restart_bench.model.verdicts import EXIT_BAD_INPUT, EXIT_ERROR, Verdict, exit_over, worst

Message = Mapping[str, Any]
_KEPT_LINES = 20


@dataclass(frozen=True, slots=True)
class RigEnd:
    """How a child run ended. `code`: its exit code, None where it died without one. `document` and `junit` as `run`
    writes them, where they were asked for; `fault`: why there is no result."""

    code: int | None
    verdict: Verdict | None = None  # None: nothing was begun
    how: str = ""
    scenarios: tuple[Message, ...] = ()  # name, verdict, reason, counted
    folder: str = ""
    document: Message | None = None
    junit: str = ""
    fault: str = ""


@dataclass(slots=True)
class RigRow:
    """One rig. `phase` is what it does now, `power` and `power_style` how its supply stands."""

    rig: str
    output: str = ""  # the file that keeps what its child says
    run: str = ""
    scenario: str = ""
    cycle: int = 0
    of_cycles: int = 0
    left_ns: Left | None = None
    phase: str = "starting"
    power: str = ""
    power_style: str = ""
    counted: dict[str, int] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)  # what did not pass, and troubles; the newest last
    opened: bool = False
    end: RigEnd | None = None

    def take(self, message: Message) -> list[str]:
        """Takes in a message; returns the lines that a run without a console tells of it."""
        lines: list[str] = []
        match message.get("tell"):
            case "began":
                self.run, self.of_cycles = str(message["run"]), int(message["cycles"])
                lines = [str(message["line"])]
            case "opened":
                self.opened, self.phase = True, "waiting for the others"
            case "state":
                self._take_state(message)
            case "cycle":
                self._take_cycle(message)
                lines = [f"cycle {self.cycle} of {self.of_cycles}: {self.scenario}: {str(message['lines'][0]).strip()}"]
                lines += message["lines"][1:]
            case "note":
                self._say(str(message["text"]))
                lines = [str(message["text"])]
            case "ended":
                self.end = _end_of(message)
                self.left_ns, self.phase = None, self.end.how
                self.power, self.power_style = str(message["supply_left"]), ""
            case "refused":
                self.refuse(str(message["text"]))
        return lines

    def _take_state(self, message: Message) -> None:
        self.left_ns = Left(*message["left_ns"]) if message["left_ns"] else None
        self.scenario, self.cycle, self.of_cycles = message["scenario"], message["cycle"], message["of_cycles"]
        self.phase, self.power, self.power_style = message["phase"], message["power"], message["power_style"]

    def _take_cycle(self, message: Message) -> None:
        self.scenario, self.cycle = message["scenario"], message["cycle"]
        verdict = str(message["verdict"])
        self.counted[verdict] = self.counted.get(verdict, 0) + 1
        if verdict != Verdict.PASS:
            for line in message["lines"][1:] or message["lines"]:
                self._say(f"cycle {self.cycle}: {line.strip()}")

    def _say(self, line: str) -> None:
        self.said = [*self.said, line][-_KEPT_LINES:]

    def refuse(self, why: str) -> None:
        """It did not begin: nothing of it was moved."""
        self.end = RigEnd(EXIT_BAD_INPUT, fault=why)
        self.phase, self.left_ns = "refused", None
        self._say(why)

    def die(self, how: str, *, armed: bool) -> None:
        """Its child ended without a result (killed, say), however far it had come."""
        left = (
            f"its supply and its points were left as they were: go and look, then `restart-bench park` on {self.rig}"
            if armed
            else "nothing real was switched"
        )
        why = f"the bench of this rig ended by itself ({how}); {left}. What it said: {self.output}"
        self.end = RigEnd(None, Verdict.ERROR, "killed", fault=why)
        self.phase, self.power, self.left_ns = "killed", "", None
        self._say(why)

    @property
    def has_begun(self) -> bool:
        """False until it can be told whether it goes on: others wait for that."""
        return self.opened or self.end is not None


def _end_of(message: Message) -> RigEnd:
    return RigEnd(
        int(message["code"]),
        Verdict(message["verdict"]),
        str(message["how"]),
        tuple(message["scenarios"]),
        str(message["folder"]),
        message.get("document"),
        str(message.get("junit") or ""),
    )


def exit_code_over(rows: Sequence[RigRow]) -> int:
    """The one exit code: the worst of the children's. A child that was refused, or died, is an error of the bench,
    whatever the others showed; where every one was refused nothing was moved."""
    ends = [row.end for row in rows if row.end is not None]
    if all(end.code == EXIT_BAD_INPUT for end in ends):
        return EXIT_BAD_INPUT
    return exit_over([EXIT_ERROR if end.code in (None, EXIT_BAD_INPUT) else end.code for end in ends])


def verdict_over_rigs(rows: Sequence[RigRow]) -> Verdict | None:
    """The worst verdict, error where a rig has none; None where nothing was begun."""
    if exit_code_over(rows) == EXIT_BAD_INPUT:
        return None
    found = [row.end.verdict for row in rows if row.end is not None]
    return worst(Verdict.ERROR if one is None else one for one in found)


def document_over(rows: Sequence[RigRow]) -> dict[str, Any]:
    """The JSON document of all of them, as one `run` writes it: a fault for each rig that has no result."""
    verdict = verdict_over_rigs(rows)
    ends = [(row.rig, row.end) for row in rows if row.end is not None]
    return {
        "verdict": verdict.value if verdict is not None else None,
        "exit_code": exit_code_over(rows),
        "runs": [one for _, end in ends if end.document is not None for one in end.document["runs"]],
        "faults": [
            {"file": None, "line": None, "path": rig, "text": end.fault, "cure": ""} for rig, end in ends if end.fault
        ],
    }


def junit_over(rows: Sequence[RigRow]) -> str:
    """The JUnit XML of all of them; a rig that has no result is an error, for nobody may read it as green."""
    from xml.etree import ElementTree as Xml

    from restart_bench.report.documents import junit_text
    from restart_bench.report.record.text import clean

    suites: list[Xml.Element] = []
    for row in rows:
        end = row.end
        if end is None:
            continue
        if end.junit:
            suites.extend(Xml.fromstring(end.junit))
        if end.fault:
            suite = Xml.Element("testsuite", name=clean(row.rig), tests="1", failures="0", errors="1")
            case = Xml.SubElement(suite, "testcase", classname=clean(row.rig), name="the rig as a whole")
            Xml.SubElement(case, "error", type="error", message=clean(end.fault))
            suites.append(suite)
    return junit_text(suites)
