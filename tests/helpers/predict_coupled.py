"""A large program in which everything hangs together: interlocked drives in a row, with permits, edges and latches."""

from __future__ import annotations

from restart_bench.model.program import Coil, Edge, Input, Memory, Program, Reset, Rung, Set, Timer

MS = 1_000_000
PER_DRIVE = 10  # rungs


def coupled(rungs: int = 200, *, timers: bool = False) -> Program:
    """About so many rungs, a drive for every ten, each with three inputs, coupled to the drive before and after."""
    drives = max(2, rungs // PER_DRIVE)
    made: list[Rung] = []
    inputs: list[Input] = []
    memory: dict[str, Memory] = {}
    for number in range(drives):
        inputs += _inputs(number)
        made += _drive(number, (number - 1) % drives, (number + 1) % drives, timers)
        memory |= {name: Memory(name, True) for name in (f"request{number}", f"fault{number}", f"auto{number}")}
        if number % 3 == 0:
            memory[f"motor{number}"] = Memory(f"motor{number}", True)
    return Program(
        f"{len(made)} coupled rungs",
        start_pass="clears coils",
        inputs=tuple(inputs),
        memory=memory,
        rungs=tuple(made),
    )


def _inputs(number: int) -> list[Input]:
    return [
        Input(f"start{number}", "command", False),
        Input(f"stop{number}", "command", True),
        Input(f"guard{number}", "sensor", True),
    ]


def _name(word: str, number: int) -> tuple[str, str]:
    return ("name", f"{word}{number}")


def _drive(number: int, before: int, behind: int, timers: bool) -> list[Rung]:
    def name(word: str) -> tuple[str, str]:
        return _name(word, number)

    stop = ("not", name("stop"))
    free = ("not", ("and", _name("ran", before), _name("ran", behind)))
    ran: Rung = Coil(f"ran{number}", name("motor"))
    if timers:
        ran = Timer(f"ran{number}", "TON", 500 * MS, name("motor"))
    return [
        Edge(f"edge{number}", "rising", name("start")),
        Set(f"request{number}", ("and", name("edge"), ("not", name("fault")))),
        Reset(f"request{number}", ("or", stop, _name("fault", before))),
        Set(f"fault{number}", ("and", ("not", name("guard")), name("motor"))),
        Reset(f"fault{number}", ("and", name("start"), name("guard"))),
        Set(f"auto{number}", ("and", name("edge"), _name("auto", before))),
        Reset(f"auto{number}", ("or", stop, ("name", "first_scan"))),
        Coil(f"permit{number}", ("and", name("guard"), ("or", name("permit"), free))),
        Coil(f"motor{number}", ("and", ("and", ("or", name("request"), name("auto")), name("permit")), name("stop"))),
        ran,
    ]
