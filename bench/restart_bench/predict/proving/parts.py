"""A part of a program that is reasoned about together, and the words for what can be asked of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from restart_bench.model.program import Program
from restart_bench.plc.interpreter import driven
from restart_bench.predict.proving.cone import cone_of, part_of
from restart_bench.predict.proving.layout import Layout

SUPPLY, MODE = "supply", "mode"
WARM, COLD = "warm", "cold"
LATER = "later"  # no restart: any scan after the first
REST, SENSORS, HELD, DARK = "rest", "sensors free", "held", "pressed while dark"

RESTARTS = ((SUPPLY, WARM), (SUPPLY, COLD), (MODE, WARM))
"""Every restart that differs. A mode change with a cold start is the same as a loss of supply with one."""
ENVIRONMENTS = (REST, SENSORS, HELD, DARK)

# what an output can do after a restart
FIRST_ON, FIRST_OFF = "on after the first scan", "off after the first scan"
BEGINS_ON, BEGINS_OFF = "on in memory when the first scan begins", "off in memory when the first scan begins"
SETTLES_ON, SETTLES_OFF, NEVER_SETTLES = "settles on", "settles off", "never settles"
PULSES = "is on without staying on"
FALLS, RISES = "goes off after the first scan", "comes on after the first scan"
UNSETTLED = "does not come to a stand"
CLAIMS = (FIRST_ON, FIRST_OFF, BEGINS_ON, BEGINS_OFF, SETTLES_ON, SETTLES_OFF, NEVER_SETTLES, PULSES)


@dataclass(frozen=True, slots=True)
class Part:
    """Some rungs of a program. numbers: the place (from 0) of each of them in the whole program; writers: for each
    output the places, within this part, of the rungs that drive it; commands: for each output those it depends on."""

    program: Program
    numbers: tuple[int, ...]
    outputs: tuple[str, ...]
    layout: Layout
    writers: dict[str, tuple[int, ...]] = field(default_factory=dict)
    commands: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def shows_before(self, output: str) -> bool:
        """True if some rung of the whole program is done before the first that drives the output, so that outputs
        written at once show what was in memory."""
        return bool(self.writers[output]) and self.numbers[self.writers[output][0]] > 0


def part_for(program: Program, cone: frozenset[str], outputs: tuple[str, ...]) -> Part:
    """The part of a program that a cone names."""
    part, numbers = part_of(program, cone)
    writers = {
        output: tuple(place for place, rung in enumerate(part.rungs) if driven(rung) == output) for output in outputs
    }
    layout = Layout(part)
    pressed = [one.name for one in part.inputs if one.role == "command" and isinstance(one.rest, bool)]
    commands = {}
    for output in outputs:
        own = cone_of(part, [output])
        commands[output] = tuple(name for name in pressed if name in own)
    return Part(part, numbers, outputs, layout, writers, commands)
