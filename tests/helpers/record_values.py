"""A record of the grain dryer trainer as plain values: what the tests of the record lay out and look at."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

from restart_bench.campaigns.order_statistics import Drift, Median
from restart_bench.judging.campaign.case_map import CaseRow
from restart_bench.judging.campaign.measured_times import MeasuredTime
from restart_bench.judging.matrix import NOT_JUDGED
from restart_bench.judging.summary import FindingRow, Said
from restart_bench.model.scenario import Case, Window
from restart_bench.model.verdicts import Verdict
from restart_bench.report.record.data import (
    CaseDiagram,
    DemonstrationRow,
    DeviceRow,
    DrawnCycle,
    DrawnLane,
    DrawnMark,
    Fact,
    FactGroup,
    MatrixLine,
    Piece,
    PointRow,
    RecordData,
    ScenarioRow,
    TroubleRow,
)

MS = 1_000_000
S = 1_000_000_000

LANES = (
    DrawnLane("", "Supply", "as commanded", "supply"),
    DrawnLane("rail", "rail", "discrete input 8 = item 9", "proof"),
    DrawnLane("auger", "Auger", "coil 0 = item 1", "output", pair=1),
    DrawnLane("auger_terminal", "Auger", "discrete input 0 = item 1", "terminal", pair=1),
    DrawnLane("burner", "Burner valve", "coil 2 = item 3", "output", pair=2),
    DrawnLane("burner_terminal", "Burner valve", "discrete input 2 = item 3", "terminal", pair=2),
    DrawnLane("fan", "Fan", "coil 1 = item 2", "output", pair=3),
    DrawnLane("fan_terminal", "Fan", "discrete input 1 = item 2", "terminal", pair=3),
    DrawnLane("batch_count", "batch_count", "input register 2 = item 3", "other", boolean=False),
    DrawnLane("start_button", "S1", "coil 0 = item 1", "command"),
)


def _controller(was: float, until: int, back: int, dim: int, comes: int | None) -> tuple[Piece, ...]:
    """What the controller says: known to `until`, blind to `back`, not counting to `dim`, on from `comes`."""
    pieces = [
        Piece("value", -5 * S, until, was),
        Piece("blind", until, back),
        Piece("value", back, dim, 0.0, counts=False),
    ]
    if comes is None:
        return (*pieces, Piece("value", dim, 12 * S, 0.0))
    return (
        *pieces,
        Piece("value", dim, comes, 0.0),
        Piece("change", comes, comes + 11 * MS, 1.0),
        Piece("value", comes + 11 * MS, 12 * S, 1.0),
    )


def _terminal(was: float, falls: int, comes: int | None, pulse: int = 0) -> tuple[Piece, ...]:
    """What independent I/O sees: falls at `falls`, comes on at `comes`, for `pulse` only where it is not 0."""
    pieces = [
        Piece("value", -5 * S, falls, was),
        Piece("change", falls, falls + 3 * MS, 0.0),
    ]
    if comes is None:
        return (*pieces, Piece("value", falls + 3 * MS, 12 * S, 0.0))
    pieces += [
        Piece("value", falls + 3 * MS, comes, 0.0),
        Piece("change", comes, comes + 3 * MS, 1.0),
    ]
    if not pulse:
        return (*pieces, Piece("value", comes + 3 * MS, 12 * S, 1.0))
    return (
        *pieces,
        Piece("value", comes + 3 * MS, comes + pulse, 1.0),
        Piece("change", comes + pulse, comes + pulse + 3 * MS, 0.0),
        Piece("value", comes + pulse + 3 * MS, 12 * S, 0.0),
    )


def cycle(number: int, *, bad: bool = False) -> DrawnCycle:
    """One cycle: the supply is off for 3 s; the fan comes back, auger and burner stay off. In a bad one the burner
    shows a pulse."""
    random = Random(number)
    off = -3 * S - random.randrange(0, 4 * MS)
    ready = 1200 * MS + random.randrange(0, 90 * MS)
    fan = ready + 240 * MS + random.randrange(0, 60 * MS)
    blind = off + 8 * MS
    good = ready - 200 * MS
    pieces = (
        (
            Piece("value", -5 * S, off, 1.0),
            Piece("change", off, off + 2 * MS, 0.0),
            Piece("value", off + 2 * MS, 0, 0.0),
            Piece("change", 0, 2 * MS, 1.0),
            Piece("value", 2 * MS, 12 * S, 1.0),
        ),
        (
            Piece("value", -5 * S, off + 1 * MS, 1.0),
            Piece("change", off + 1 * MS, off + 4 * MS, 0.0),
            Piece("value", off + 4 * MS, 1 * MS, 0.0),
            Piece("change", 1 * MS, 4 * MS, 1.0),
            Piece("value", 4 * MS, 12 * S, 1.0),
        ),
        _controller(1.0, blind, good, ready, None),
        _terminal(1.0, off + 1 * MS, None),
        _controller(1.0, blind, good, ready, None),
        _terminal(1.0, off + 1 * MS, 900 * MS if bad else None, pulse=140 * MS),
        _controller(1.0, blind, good, ready, fan),
        _terminal(1.0, off + 1 * MS, fan + 2 * MS),
        (
            Piece("value", -5 * S, blind, float(40 + number)),
            Piece("blind", blind, good),
            Piece("value", good, ready, 0.0, counts=False),
            Piece("change", ready, ready + 20 * MS, float(40 + number)),
            Piece("value", ready + 20 * MS, 12 * S, float(40 + number)),
        ),
        (
            Piece("value", -5 * S, -4600 * MS, 0.0),
            Piece("change", -4600 * MS, -4597 * MS, 1.0),
            Piece("value", -4597 * MS, -4400 * MS, 1.0),
            Piece("change", -4400 * MS, -4397 * MS, 0.0),
            Piece("value", -4397 * MS, 12 * S, 0.0),
        ),
    )
    marks = (
        DrawnMark("cut", off, off + 2 * MS),
        DrawnMark("dark", off + 8 * MS, off + 118 * MS),
        DrawnMark("restored", 0, 2 * MS),
        DrawnMark("refused", 300 * MS, 312 * MS),
        DrawnMark("accepted", 520 * MS, 541 * MS),
        DrawnMark("answered", 640 * MS, 655 * MS),
        DrawnMark("good", good - 10 * MS, good),
        DrawnMark("alive", ready - 60 * MS, ready - 49 * MS),
        DrawnMark("ready", ready, ready + 11 * MS),
        DrawnMark("settled", ready + 500 * MS, ready + 511 * MS),
        DrawnMark("end", 12 * S, 12 * S),
    )
    verdict = Verdict.FAIL if bad else Verdict.PASS
    reason = (
        "Burner valve was on for 134 .. 143 ms, from 900 ms after the supply came back" if bad else "all as demanded"
    )
    return DrawnCycle(number, number, verdict, reason, marks, pieces)


def diagram(cycles: int = 20, bad: tuple[int, ...] = (7,)) -> CaseDiagram:
    """The diagram of a case in which some cycles are bad."""
    drawn = tuple(cycle(number, bad=number in bad) for number in range(1, cycles + 1))
    return CaseDiagram(
        "burner-stays-shut", "off_for=3 s", "the restored supply (its earliest bound)", LANES, drawn, cycles
    )


_REASON = "In cycle 7 the burner valve was on for 134 .. 143 ms, from 900 ms after the supply came back."


def matrix_line(
    scenario: str,
    case: str,
    shown: str,
    point: str,
    before: str,
    at_loss: str,
    at_return: str,
    delay_ns: tuple[int, int] | None,
    verdict: Verdict | None,
    reason: str,
    *,
    image_only: bool = False,
) -> MatrixLine:
    """A row of the restart matrix over 20 cycles."""
    return MatrixLine(
        scenario=scenario, case=case, shown=shown, point=point, before=before, at_loss=at_loss, at_return=at_return,
        settled=at_return, delay_ns=delay_ns, verdict=verdict, reason=reason, cycles=20,
        verdict_word=verdict.value if verdict is not None else NOT_JUDGED, image_only=image_only,
    )  # fmt: skip


MATRIX = (
    matrix_line("burner-stays-shut", "off_for=3 s", "Auger", "auger", "on", "off within 4 ms", "stays off", None,
              Verdict.PASS, "off in all 20 cycles, to the end of the watch"),
    matrix_line("burner-stays-shut", "off_for=3 s", "Burner valve", "burner", "on", "off within 4 ms",
              "pulse, then off", (900 * MS, 903 * MS), Verdict.FAIL, _REASON),
    matrix_line("fan-comes-back", "off_for=3 s", "Fan", "fan", "on", "off within 4 ms", "on", (1440 * MS, 1592 * MS),
              Verdict.PASS, "on within 5 s in all 20 cycles"),
    matrix_line("fan-comes-back", "off_for=3 s", "batch_count", "batch_count", "41", "not read", "41", None,
              Verdict.INCONCLUSIVE, "blind from the cut to 1.0 s after the restored supply; not shown in between"),
)  # fmt: skip

SCENARIOS = (
    ScenarioRow(
        "burner-stays-shut",
        "After any loss of supply the burner valve stays shut until somebody presses start.",
        Verdict.FAIL,
        "1 of 20 cycles failed: " + _REASON,
        20,
        20,
        {"pass": 19, "fail": 1},
        (
            "Pulses shorter than 4 ms (gap 3 ms and input delay 1 ms) are not excluded at the terminals.",
            "While the controller was dark (up to 4.2 s) its own reads show nothing.",
        ),
        ("before: press start_button", "before: expect burner on, auger on, fan on", "cut the supply for 3 s"),
        cases=(
            CaseRow(
                Case("off_for=20 ms", 20 * MS, from_memory=True),
                (15 * MS, 24 * MS),
                10,
                10,
                0,
                10,
                0,
                {Verdict.PASS: 10},
            ),
            CaseRow(
                Case("off_for=3 s", 3 * S),
                (2998 * MS, 3004 * MS),
                10,
                10,
                10,
                0,
                0,
                {Verdict.FAIL: 1, Verdict.PASS: 9},
            ),
        ),
    ),
    ScenarioRow(
        "fan-comes-back",
        "The fan runs again within 5 s.",
        Verdict.INCONCLUSIVE,
        "2 of 20 cycles are inconclusive",
        20,
        20,
        {"pass": 18, "inconclusive": 2},
        (
            "Pulses shorter than 4 ms (gap 3 ms and input delay 1 ms) are not excluded at the terminals.",
            "20 cycles without a deviation show a reliability of at least 86.0 % at a confidence of 95 %.",
        ),
    ),
)


def record_values(cycles: int = 20) -> RecordData:
    """A whole record: one scenario failed in cycle 7, one inconclusive."""
    return RecordData(
        program="grain dryer, edition 7 with a longer name, program_id 16265",
        switched="supply by modbus-coil",
        run="20260727T142233Z-4f2a",
        rig="grain-dryer-trainer",
        rig_label="Grain dryer trainer",
        simulated=False,
        verdict=Verdict.FAIL,
        reason="burner-stays-shut failed: in cycle 7 the burner valve was on for 134 .. 143 ms after the return.",
        how_ended="completed",
        started="2026-07-27 14:22:33 UTC",
        by="",
        scenarios=SCENARIOS,
        matrix=MATRIX,
        not_tested=(
            "alarm: no scenario expects anything of it.",
            "Off times other than 3 s; dips; leaving run mode.",
        ),
        facts=(
            FactGroup("Order", (Fact("customer", "Training workshop"), Fact("drawing", "GD-7"))),
            FactGroup("Run", (Fact("begun", "2026-07-27 14:22:33 UTC"), Fact("seed", "4711", code=True))),
        ),
        devices=(
            DeviceRow("controller", "controller, powered by the supply", "192.0.2.10:502", "polled every 10 ms"),
            DeviceRow("independent", "independent I/O", "192.0.2.20:502", "polled every 2 ms, input delay 1 ms"),
            DeviceRow("supply", "supply", "192.0.2.30:502, coil 0", "modbus-coil, normally-open"),
        ),
        points=(
            PointRow("auger", "Auger", "controller", "coil, address 0 = item 1", "discrete input, address 0 = item 1"),
            PointRow("batch_count", "", "controller", "input register, address 2 = item 3", "", "uint16"),
        ),
        files=(
            {"kind": "rig", "name": "rig.yaml", "sha256": "ab" * 32},
            {"kind": "scenario", "name": "burner-stays-shut.yaml", "sha256": "cd" * 32},
        ),
        wiring=("Auger: coil 0 of controller is wired to discrete input 0 of independent.",),
        findings=(
            FindingRow("burner-stays-shut", "off_for=3 s", "Burner valve", "never on for 20 ms or longer", Verdict.FAIL,
                       {"pass": 19, "fail": 1}, (Said(_REASON, (7,)),)),
            FindingRow("burner-stays-shut", "off_for=3 s", "Auger", "is off", Verdict.PASS, {"pass": 20},
                       (Said("off, unbroken", tuple(range(1, 21))),)),
        ),
        diagrams=(diagram(cycles),),
        times=(
            MeasuredTime(
                "burner-stays-shut", "off_for=3 s", "restart", "restored", "cut", None, 20, 20,
                Median((2999 * MS, 3004 * MS), 2998 * MS, 3005 * MS, 0.959), (2998 * MS, 3002 * MS),
                (3000 * MS, 3006 * MS), None, 39, Drift(-MS, MS, 0.5),
            ),
            MeasuredTime(
                "burner-stays-shut", "off_for=3 s", "restart", "ready", "restored", Window(0, 10 * S), 20, 19,
                Median((1244 * MS, 1257 * MS), 1230 * MS, 1270 * MS, 0.959), (1201 * MS, 1214 * MS),
                (1288 * MS, math.inf), None, 39, Drift(2.1 * MS, 2.4 * MS, 0.001),
            ),
        ),
        demonstrations=(
            DemonstrationRow("burner-stays-shut", "off_for=3 s", 0.95, 0.95, 93, 20, 1, 0.7839, False),
        ),
        troubles=(TroubleRow(4, "wall clock", "the wall clock was set back by 2 s, the bench's clock was not", False),),
    )  # fmt: skip


HOSTILE = (
    "\"></text></svg></script><script>document.title='broken'</script><img src=x onerror=alert(1)>'&\u202eevil {{7*7}}"
)


def hostile_values() -> RecordData:
    """The same record with a hostile text wherever a text can come from a file or a person."""
    plain = record_values(cycles=3)
    drawn = plain.diagrams[0]
    lanes = tuple(
        replace(lane, label=HOSTILE, place=HOSTILE, unit="" if lane.boolean else HOSTILE) for lane in drawn.lanes
    )
    cycles = tuple(replace(one, reason=HOSTILE) for one in drawn.cycles)
    return replace(
        plain,
        run=HOSTILE, rig=HOSTILE, rig_label=HOSTILE, reason=HOSTILE, by=HOSTILE, started=HOSTILE, how_ended=HOSTILE,
        scenarios=tuple(
            replace(one, name=HOSTILE, purpose=HOSTILE, reason=HOSTILE, limits=(HOSTILE,), steps=(HOSTILE,),
                    notes=(HOSTILE,))
            for one in plain.scenarios
        ),
        matrix=tuple(
            replace(row, scenario=HOSTILE, case=HOSTILE, shown=HOSTILE, point=HOSTILE, before=HOSTILE, at_loss=HOSTILE,
                    at_return=HOSTILE, reason=HOSTILE)
            for row in plain.matrix
        ),
        not_tested=(HOSTILE,), notes=(HOSTILE,), wiring=(HOSTILE,),
        facts=(FactGroup(HOSTILE, (Fact(HOSTILE, HOSTILE, code=True),)),),
        devices=(DeviceRow(HOSTILE, HOSTILE, HOSTILE, HOSTILE),),
        points=(PointRow(HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE),),
        files=(dict.fromkeys(("kind", "name", "sha256"), HOSTILE),),
        findings=tuple(
            replace(row, scenario=HOSTILE, case=HOSTILE, point=HOSTILE, expectation=HOSTILE,
                    said=(Said(HOSTILE, (1,)),))
            for row in plain.findings
        ),
        diagrams=(replace(drawn, scenario=HOSTILE, case=HOSTILE, zero=HOSTILE, lanes=lanes, cycles=cycles),),
        times=tuple(replace(row, scenario=HOSTILE, case=HOSTILE, what=HOSTILE, since=HOSTILE) for row in plain.times),
        demonstrations=tuple(replace(row, scenario=HOSTILE, case=HOSTILE) for row in plain.demonstrations),
        troubles=(TroubleRow(1, HOSTILE, HOSTILE, True),),
    )  # fmt: skip
