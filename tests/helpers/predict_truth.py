"""What a program can do after a restart, by going through every state there is: slow, plain, and knowing nothing of
the engine. Programs are turned into Python functions of their own, so that the interpreter is not needed either.

Timers are left out: their elapsed time would make states without number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

from restart_bench.model.program import Bistable, Coil, Counter, Edge, Expr, Memory, Program, Reset, Rung, Set

Memorised = tuple[Any, ...]
MOST_STATES = 4000


class TooMany(Exception):
    """The program has more states than a test has patience."""


class Truth:
    """Every state of one program, and what comes after each restart.

    A state is its memory and whether its next scan is a first one.
    """

    def __init__(self, program: Program) -> None:
        self.program = program
        self.names = _names(program)
        self.initial = self._initial_values()
        self.retained = [self._is_retained(slot) for slot in self.slots]
        self.plain = {rung.target for rung in program.rungs if isinstance(rung, Coil)}
        self._run = _compiled(program, self.slots)
        self._scans: dict[Any, Any] = {}
        self.combinations = [
            dict(zip([one.name for one in program.inputs], values, strict=True))
            for values in product((False, True), repeat=len(program.inputs))
        ]
        self.rest = {one.name: bool(one.rest) for one in program.inputs}
        self.reached = self._reached()
        self._lassos: dict[Any, Any] = {}

    # ------------------------------------------------------------ states

    def _initial_values(self) -> Memorised:
        self.slots: list[tuple[str, str]] = []
        values: list[Any] = []
        blocks = {rung.name: rung for rung in self.program.rungs if not isinstance(rung, Coil | Set | Reset)}
        for name in self.names:
            memory = self.program.memory.get(name, Memory(name))
            block = blocks.get(name)
            if isinstance(block, Counter):
                new = [("out", False), ("count", int(memory.initial)), ("was", False)]
            elif isinstance(block, Edge):
                new = [("out", False), ("was", False)]
            else:
                new = [("out", bool(memory.initial))]
            self.slots += [(name, kind) for kind, _ in new]
            values += [value for _, value in new]
        return tuple(values)

    def _is_retained(self, slot: tuple[str, str]) -> bool:
        memory = self.program.memory.get(slot[0])
        return memory is not None and memory.retained

    def passed(self, values: Memorised) -> Memorised:
        if self.program.start_pass == "none":
            return values
        return tuple(False if slot[0] in self.plain else value for slot, value in zip(self.slots, values, strict=True))

    def restored(self, values: Memorised) -> Memorised:
        kept = zip(self.retained, values, self.initial, strict=True)
        return self.passed(tuple(value if retained else initial for retained, value, initial in kept))

    def scan(self, values: Memorised, first: bool, inputs: dict[str, bool]) -> list[Memorised]:
        """The memory after 0, 1, 2 ... all rungs."""
        key = (values, first, *inputs.values())
        if key not in self._scans:
            self._scans[key] = self._run(values, first, inputs)
        return self._scans[key]  # type: ignore[no-any-return]

    def lost(self, values: Memorised, first: bool, inputs: dict[str, bool]) -> Iterator[Memorised]:
        """The memory after a loss of supply at any place of a scan."""
        stages = self.scan(values, first, inputs) if self.program.saved == "at once" else [values]
        for stage in dict.fromkeys(stages):
            yield self.restored(stage)

    def _reached(self) -> set[tuple[Memorised, bool]]:
        begin = (self.passed(self.initial), True)
        reached, waiting = {begin}, [begin]
        while waiting:
            values, first = waiting.pop()
            for after in self._steps(values, first):
                if after not in reached:
                    reached.add(after)
                    waiting.append(after)
            if len(reached) > MOST_STATES:
                raise TooMany
        return reached

    def _steps(self, values: Memorised, first: bool) -> Iterator[tuple[Memorised, bool]]:
        yield self.passed(values), True  # a mode change
        for inputs in self.combinations:
            yield self.scan(values, first, inputs)[-1], False
            for kept in self.lost(values, first, inputs):
                yield kept, True

    # ------------------------------------------------------------ answers

    def answer(self, output: str, restart: str, start: str, inputs: str) -> tuple[str, bool, str]:
        """Where it settles, whether it can pulse, and the first scan."""
        if inputs == "sensors free":
            return self._with_sensors(output, restart, start)
        seen = {self._after(output, values, given) for values, given in self._begins(output, restart, start, inputs)}
        return _words(
            {settles for settles, _, _ in seen}, any(pulses for _, pulses, _ in seen), {first for _, _, first in seen}
        )

    def _begins(
        self, output: str, restart: str, start: str, inputs: str
    ) -> Iterator[tuple[Memorised, dict[str, bool]]]:
        """Every memory with which a first scan may begin, with the inputs that stand from then on."""
        commands = self._commands_of(output)
        if inputs == "rest" or not commands:
            for values in self._restarted(restart, start):
                yield values, self.rest
            return
        for pressed in product((False, True), repeat=len(commands)):
            names = [name for name, one in zip(commands, pressed, strict=True) if one]
            if names:
                given = self.rest | {name: not self.rest[name] for name in names}
                for values in self._pressed(restart, start, inputs, names):
                    yield values, given

    def _pressed(self, restart: str, start: str, inputs: str, names: list[str]) -> set[Memorised]:
        """The same where the last whole scan, and that of the cut, saw some commands pressed, or at rest."""
        if start == "cold":
            return {self.passed(self.initial)}
        fitting = [
            one
            for one in self.combinations
            if all((one[name] != self.rest[name]) == (inputs == "held") for name in names)
        ]
        found: set[Memorised] = set()
        whole = {self.scan(values, first, one)[-1] for values, first in self.reached for one in fitting}
        for values in whole:
            if restart == "mode":
                found.add(self.passed(values))
            else:
                for one in fitting:
                    found.update(self.lost(values, False, one))
        return found

    def _restarted(self, restart: str, start: str) -> set[Memorised]:
        if start == "cold":
            return {self.passed(self.initial)}
        if restart == "mode":
            return {self.passed(values) for values, _ in self.reached}
        return {
            kept
            for values, first in self.reached
            for inputs in self.combinations
            for kept in self.lost(values, first, inputs)
        }

    def _after(self, output: str, values: Memorised, inputs: dict[str, bool]) -> tuple[str, bool, str]:
        """What comes of one memory: where the output settles, whether it pulses, and the end of the first scan."""
        key = (output, values, *inputs.values())
        if key not in self._lassos:
            shown, first = [self._shown(output, values, True, inputs)], self.scan(values, True, inputs)[-1]
            self._lassos[key] = self._followed(output, first, inputs, shown)
        return self._lassos[key]  # type: ignore[no-any-return]

    def _followed(
        self, output: str, values: Memorised, inputs: dict[str, bool], shown: list[list[bool]]
    ) -> tuple[str, bool, str]:
        seen: dict[Memorised, int] = {}
        while values not in seen:
            seen[values] = len(shown)
            shown.append(self._shown(output, values, False, inputs))
            values = self.scan(values, False, inputs)[-1]
        again = shown[seen[values] :]
        line = [one for scan in [*shown, *again, *again] for one in scan]
        pulses = any(one and False in line[number:] for number, one in enumerate(line))
        lasting = {one for scan in again for one in scan}
        settles = "never" if len(lasting) > 1 else "on" if True in lasting else "off"
        return settles, pulses, "on" if shown[0][-1] else "off"

    def _shown(self, output: str, values: Memorised, first: bool, inputs: dict[str, bool]) -> list[bool]:
        """What the terminal shows during and after a scan."""
        stages = self.scan(values, first, inputs)
        place = self.slots.index((output, "out"))
        if self.program.outputs == "at once":
            return [bool(stage[place]) for stage in stages[1:]]
        return [bool(stages[-1][place])]

    # ------------------------------------------------------------ sensors

    def _with_sensors(self, output: str, restart: str, start: str) -> tuple[str, bool, str]:
        sensors = [one.name for one in self.program.inputs if one.role == "sensor"]
        free = [one for one in self.combinations if all(one[n] == self.rest[n] for n in self.rest if n not in sensors)]
        firsts, pulses = set(), False
        waiting: list[tuple[Memorised, bool]] = []  # memory after a scan, and whether the output was on
        for values in self._restarted(restart, start):
            for one in free:
                shown = self._shown(output, values, True, one)
                firsts.add("on" if shown[-1] else "off")
                pulses |= any(on and False in shown[number:] for number, on in enumerate(shown))
                waiting.append((self.scan(values, True, one)[-1], shown[-1]))
        reached = set(waiting)
        settles = set()
        while waiting:
            values, on = waiting.pop()
            for one in free:
                shown = [on, *self._shown(output, values, False, one)]
                pulses |= any(now and False in shown[number:] for number, now in enumerate(shown))
                settles.add(self._followed(output, values, one, [shown])[0])
                after = (self.scan(values, False, one)[-1], shown[-1])
                if after not in reached:
                    reached.add(after)
                    waiting.append(after)
        return _words(settles, pulses, firsts)

    # ------------------------------------------------------------ what depends on what

    def _commands_of(self, output: str) -> list[str]:
        """The commands that an output depends on."""
        found, waiting = set(), [output]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                for rung in self.program.rungs:
                    if _written(rung) == name:
                        waiting += [read for condition in _conditions(rung) for read in _read(condition)]
        return [one.name for one in self.program.inputs if one.role == "command" and one.name in found]


def _words(settles: set[str], pulses: bool, firsts: set[str]) -> tuple[str, bool, str]:
    ends = "never" if "never" in settles else "depends" if len(settles) > 1 else settles.pop()
    return ends, pulses, "depends" if len(firsts) > 1 else firsts.pop()


# ---------------------------------------------------------------- programs as Python


def _written(rung: Rung) -> str:
    return rung.target if isinstance(rung, Coil | Set | Reset) else rung.name


def _conditions(rung: Rung) -> list[Expr]:
    if isinstance(rung, Bistable):
        return [rung.set, rung.reset]
    return [rung.when, *([rung.reset] if isinstance(rung, Counter) and rung.reset else [])]


def _read(expr: Expr) -> Iterator[str]:
    if expr[0] == "name":
        yield expr[1]
    elif expr[0] != "const":
        for inner in expr[1:]:
            yield from _read(inner)


def _names(program: Program) -> list[str]:
    inputs = {one.name for one in program.inputs} | {"first_scan"}
    found = list(program.memory)
    for rung in program.rungs:
        found += [_written(rung), *(name for condition in _conditions(rung) for name in _read(condition))]
    return [name for name in dict.fromkeys(found) if name not in inputs]


def _compiled(program: Program, slots: list[tuple[str, str]]) -> Callable[..., list[Memorised]]:
    counters = {name for name, kind in slots if kind == "count"}
    inputs = {one.name for one in program.inputs}
    whole = "(" + " ".join(f"{name}_{kind}," for name, kind in slots) + ")"
    lines = ["def run(values, first, inputs):", f" {whole} = values"]
    lines += [f" {name}_in = inputs[{name!r}]" for name in inputs] + [f" stages = [{whole}]"]
    for rung in program.rungs:
        for line in _lines(rung, lambda expr: _python(expr, inputs, counters)):
            lines.append(f" {line}")
        lines.append(f" stages.append({whole})")
    space: dict[str, Any] = {}
    exec("\n".join([*lines, " return stages"]), space)
    return space["run"]  # type: ignore[no-any-return]


def _lines(rung: Rung, text: Callable[[Expr], str]) -> list[str]:
    match rung:
        case Coil():
            return [f"{rung.target}_out = {text(rung.when)}"]
        case Set():
            return [f"if {text(rung.when)}: {rung.target}_out = True"]
        case Reset():
            return [f"if {text(rung.when)}: {rung.target}_out = False"]
        case Edge():
            condition = text(rung.when) if rung.kind == "rising" else f"(not {text(rung.when)})"
            return [f"now = {condition}", f"{rung.name}_out = now and not {rung.name}_was", f"{rung.name}_was = now"]
        case Bistable():
            made, gone, out = text(rung.set), text(rung.reset), f"{rung.name}_out"
            return [
                f"{out} = {made} or (not {gone} and {out})"
                if rung.kind == "SR"
                else f"{out} = not {gone} and ({made} or {out})"
            ]
        case Counter():
            return _counting(rung, text)
    raise AssertionError(rung)


def _counting(rung: Counter, text: Callable[[Expr], str]) -> list[str]:
    name = rung.name
    start, step, reached = (0, "+ 1", f">= {rung.preset}") if rung.kind == "CTU" else (rung.preset, "- 1", "<= 0")
    limit = f"{name}_count < 32767" if rung.kind == "CTU" else f"{name}_count > -6"  # lower ones are all alike
    return [
        f"now = {text(rung.when)}",
        f"again = {text(rung.reset or ('const', False))}",
        f"if again: {name}_count = {start}",
        f"elif now and not {name}_was and {limit}: {name}_count = {name}_count {step}",
        f"if {name}_count > 6: {name}_count = 6",  # higher ones are all alike
        f"{name}_out = {name}_count {reached}",
        f"{name}_was = now",
    ]


def _python(expr: Expr, inputs: set[str], counters: set[str]) -> str:
    word = expr[0]
    if word == "const":
        return str(expr[1])
    if word == "name":
        return "first" if expr[1] == "first_scan" else f"{expr[1]}_in" if expr[1] in inputs else f"{expr[1]}_out"
    if word == "not":
        return f"(not {_python(expr[1], inputs, counters)})"
    if word in ("and", "or"):
        return f"({_python(expr[1], inputs, counters)} {word} {_python(expr[2], inputs, counters)})"
    if word == "xor":
        return f"({_python(expr[1], inputs, counters)} != {_python(expr[2], inputs, counters)})"
    sides = [f"{side[1]}_count" if side[0] == "name" else str(side[1]) for side in expr[1:3]]
    sign = {"=": "==", "<>": "!="}.get(word, word)
    return f"({sides[0]} {sign} {sides[1]})"
