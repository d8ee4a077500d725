"""Random worlds: a controller, a supply, a wiring, instruments and a scenario, with the exact history of each.

Everything is drawn from one seed. All instants are nanoseconds from the start of the cycle.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from deliveries import ALWAYS, CLOSED, EXCEPTION, GOOD, RESET, Delivered, Phases, Wire, ask, samples_of
from histories import FAR, MS, S, Steps

from restart_bench.model.journal import (
    CycleEnded,
    CycleRecords,
    CycleStarted,
    PointWritten,
    StepDone,
    Switching,
    Trouble,
)
from restart_bench.model.rig import (
    CheckPulse,
    Device,
    Levels,
    Mode,
    Point,
    Proof,
    Ready,
    Rig,
    RigSupply,
    SupplyLimits,
    Wanted,
)
from restart_bench.model.samples import DeviceSamples
from restart_bench.model.scenario import Case, Expect, Expectation, Gap, MarkLimit, Press, Scenario, Step, Window

T0 = 1_000 * S
ON, OFF = Wanted(equals=True), Wanted(equals=False)
CONTROLLER_READS = (
    (("lamp", "b"), ("fan", "b"), ("valve", "b"), ("running", "b")),
    (("heartbeat", "d"), ("uptime", "d"), ("batch", "d"), ("program_id", "d"), ("device_code", "d"), ("stage", "d")),
)
INDEPENDENT_READS = (
    (
        ("start_button", "b"), ("spare_out", "b"), ("lamp_terminal", "b"), ("fan_terminal", "b"), ("horn", "b"),
        ("rail", "b"), ("always_on", "b"), ("spare_in", "b"), ("guard", "b"),
    ),
    (("hopper", "d"), ("rail_mv", "d")),
)  # fmt: skip
OUTPUTS = ("lamp", "fan", "horn", "valve")
JUDGED = {"lamp": "lamp_terminal", "fan": "fan_terminal", "horn": "horn", "valve": "valve"}
THEMES = {
    "restart": 34,
    "ride": 9,
    "dip restart": 5,
    "frozen": 4,
    "late restart": 5,
    "two restarts": 4,
    "never runs": 3,
    "busy for ever": 1,
    "refuses for ever": 1,
    "second feed": 4,
    "welded": 4,
    "not reclosing": 2,
    "slow contact": 4,
    "held up": 4,
    "second dip": 3,
    "stall": 3,
    "bounce": 2,
    "freeze later": 3,
    "mode": 6,
}
GLOW = 100 * MS


@dataclass(frozen=True)
class Life:
    """One span in which the program runs: from its first scan to its end; frozen from `stands` on. `booted`: a
    restart began it."""

    start: int
    end: int = FAR
    stands: int = FAR
    booted: bool = True


@dataclass
class World:
    """One cycle with its whole truth. `lost` and `returned` are those of the supply itself (`returned` the last
    closing; FAR: never), `fed` those of the controller; `limits` names what instruments can't tell here."""

    seed: int
    theme: str
    rig: Rig
    scenario: Scenario
    asked: int
    cut: tuple[int, int]
    back: tuple[int, int]
    lost: int
    returned: int
    rail: Steps
    lives: tuple[Life, ...]
    phases: Phases
    restarted: bool
    truth: dict[str, Steps]
    wires: dict[str, Wire]
    delay: int = 0  # of independent inputs
    cache: int = 0  # of the independent image
    age: int = 0  # of all that the independent I/O answers, beyond what its rig file says
    old: int = 0  # of all that the independent I/O answers but for its check pulse
    pace: int = 20 * MS  # of the heartbeat
    unread: tuple[int, int] = (0, 0)  # when the independent registers draw exceptions, while its bits are read
    beats: tuple[int, int] = (0, 65536)  # its value at first, and after how many it begins anew
    rattles: bool = False  # its horn does
    step: int = 1  # of the heartbeat: so much at a time
    uptime0: float = 60.0
    image: int = 0  # how old the image is that the controller's answers show, as its rig file allows
    reborn: int = FAR  # when its program, uptime and sign of life begin anew while its link lives on
    spoilt: set[str] = field(default_factory=set)
    disagrees: str = ""  # the output whose image and terminal differ
    origin: int = T0
    end: int = 0
    press_at: int | None = None
    reached: bool | None = None
    writes: list[PointWritten] = field(default_factory=list)
    steps: list[StepDone] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    got: dict[str, Delivered] = field(default_factory=dict)
    samples: dict[str, DeviceSamples] = field(default_factory=dict)

    @property
    def mode(self) -> bool:
        return self.scenario.how == "mode"

    def records(self) -> CycleRecords:
        """The journal of the cycle, as the runner would have written it."""
        what = "mode" if self.mode else "supply"
        words = ("stop", "run") if self.mode else ("off", "on")
        switchings = (
            Switching(1, what, words[0], "cut", T0 + self.cut[0], T0 + self.cut[1]),  # type: ignore[arg-type]
            Switching(1, what, words[1], "restore", T0 + self.back[0], T0 + self.back[1]),  # type: ignore[arg-type]
        )
        return CycleRecords(
            started=CycleStarted(1, self.scenario.name, "", 1, 1, self.asked, 0, T0),
            steps=tuple(self.steps),
            switchings=switchings,
            writes=tuple(self.writes),
            troubles=tuple(self.troubles),
            ended=CycleEnded(1, T0 + self.end, True),
        )

    # ------------------------------------------------------------ what instruments show

    def live_at(self, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        """Where the controller's image was alive: the program ran and had not frozen."""
        found = np.zeros(len(instants), dtype=bool)
        for life in self.lives:
            found |= (instants >= life.start) & (instants < min(life.end, life.stands))
        return found

    def _instants_shown(self, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The instant whose state a reply of the controller shows."""
        shown = instants.copy()
        for life in self.lives:
            if life.stands < life.end:
                shown[(instants >= life.stands) & (instants < life.end)] = life.stands
        return shown

    def controller_value(self, name: str, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """What the controller's replies say."""
        shown = self._instants_shown(instants - self.image)
        stale, zeros = self.phases.named(instants, "stale"), self.phases.named(instants, "zeros")
        shown[stale] = self.lost - MS
        if name == "heartbeat":
            value = self._beats(shown)
        elif name == "uptime":
            value = self._uptime(shown, instants)
        else:
            value = self.truth[name].at_all(shown)
        value[zeros] = 0.0
        return value

    def _beats(self, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        value = np.zeros(len(instants))
        begun, round_of = self.beats
        for life in self.lives:
            inside = instants >= life.start
            start = max(0, life.start)
            value[inside] = (begun + (instants[inside] - start) // self.pace * self.step) % round_of
            if not life.booted:
                begun = 7
        return value

    def _uptime(self, shown: npt.NDArray[np.int64], instants: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Hundredths of a second since the last start of the stack, in 16 bits."""
        born = np.full(len(shown), -int(self.uptime0 * S), dtype=np.int64)
        for at, stack in zip(self.phases.times, self.phases.stacks, strict=True):
            if stack > 0:
                first = min(t for t, s in zip(self.phases.times, self.phases.stacks, strict=True) if s == stack)
                if first == at:
                    born[shown >= at] = at
        born[shown >= self.reborn] = self.reborn
        del instants
        return ((shown - born) // (10 * MS) % 65536) * 0.01

    def independent_value(self, name: str, instants: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """What the independent I/O's replies say."""
        told = instants - self.delay - self.age - (0 if name == "spare_in" else self.old)
        if self.cache:
            told = told // self.cache * self.cache
        return self.truth[name].at_all(told)

    # ------------------------------------------------------------ the cycle done

    def play(self, rng: random.Random) -> None:
        """Asks both devices for longer than any cycle lasts."""
        assert self.rig.supply is not None
        last = max([self.back[1] + 300 * MS + self.rig.ready.within_ns, *(one.start for one in self.lives)])
        horizon = last + self.scenario.watch_ns + 1500 * MS
        for device, phases in (("controller", self.phases), ("independent", ALWAYS)):
            self.got[device] = Delivered.of(ask(self.wires[device], phases, rng, 0, horizon))
        one, (begin, end) = self.got["independent"], self.unread
        one.kind[(one.kind == GOOD) & (one.request == 1) & (one.looked >= begin) & (one.looked < end)] = EXCEPTION
        self.look()

    def look(self) -> None:
        """What the answers say, by the truth as it is told now."""
        for device, requests, value in (
            ("controller", CONTROLLER_READS, self.controller_value),
            ("independent", INDEPENDENT_READS, self.independent_value),
        ):
            self.samples[device] = samples_of(device, requests, self.got[device], value, T0)

    def finish(self, end: int) -> None:
        """The cycle ends here: nothing received later is kept, and what restarts later is another story."""
        self.end = end
        self.restarted = any(life.end < end for life in self.lives)
        for device, one in self.samples.items():
            kept = one.records["received_ns"] <= T0 + end
            self.samples[device] = replace(one, records=one.records[kept])
            self.got[device] = self.got[device].cut_off(end)


def pick(rng: random.Random, weights: dict[str, int]) -> str:
    """One of these by weight."""
    return rng.choices(list(weights), list(weights.values()))[0]


def ms(rng: random.Random, low: float, high: float) -> int:
    """A time between two numbers of milliseconds, to the microsecond."""
    return rng.randrange(int(low * 1000), int(high * 1000) + 1) * 1000


# ---------------------------------------------------------------- the rig


def draw_rig(rng: random.Random, theme: str, spoilt: set[str]) -> Rig:
    """Devices, points, supply, proofs and vouchers of one world."""
    mode = theme == "mode"
    lag = rng.choice((0, 0, 0, 0, 20 * MS))
    devices = {
        "controller": Device(
            "controller", "192.0.2.10", poll_ns=rng.choice((10, 15, 20)) * MS,
            answer_within_ns=rng.choice((30, 50)) * MS, powered_by_supply=True,
        ),
        "independent": Device(
            "independent", "192.0.2.20", poll_ns=rng.choice((5, 8, 10)) * MS,
            answer_within_ns=rng.choice((20, 40)) * MS, input_delay_ns=rng.choice((0, 0, 1, 3)) * MS, image_lag_ns=lag,
        ),
    }  # fmt: skip
    alive = None if rng.random() < 0.08 and theme in ("restart", "ride", "dip restart", "mode") else "heartbeat"
    rail = Proof("value", "rail", OFF)
    falls, lost = Proof("falls", "uptime"), Proof("contact lost")
    choices: list[tuple[Proof, ...]] = [
        (rail,), (rail, falls), (rail, lost), (rail, falls, lost), (falls,), (lost,), (falls, lost),
        (Proof("value", "rail_mv", OFF), falls),
    ]  # fmt: skip
    weights = [4, 6, 3, 2, 2, 2, 1, 2]
    if theme == "welded":
        weights = [3, 3, 1, 1, 4, 2, 2, 1]
    proofs = rng.choices(choices, weights)[0]
    supply = RigSupply(
        "modbus-coil", contact=rng.choice(("normally-open", "normally-closed")), operate_ns=ms(rng, 1, 8),
        release_ns=ms(rng, 1, 8), bounce_ns=rng.choice((0, 0, 4 * MS)),
        limits=SupplyLimits(dips_up_to_ns=100 * MS, off_at_least_ns=200 * MS, on_at_least_ns=0),
    )  # fmt: skip
    return Rig(
        name="world",
        loads="harmless",
        devices=devices,
        points=_points(rng),
        supply=supply,
        ready=Ready(
            when=(("running", ON),) if alive is None or rng.random() < 0.9 else (),
            steady_ns=ms(rng, 30, 120),
            alive=alive,
            within_ns=ms(rng, 350, 1000),
        ),
        proof_of_cut=proofs,
        check_channels=(("always_on", ON),) if rng.random() < 0.4 or "channel" in spoilt else (),
        check_pulse=CheckPulse("spare_out", "spare_in", 30 * MS) if rng.random() < 0.2 or "pulse" in spoilt else None,
        only_while=(("guard", ON),) if rng.random() < 0.15 or "guard" in spoilt else (),
        identify=(("device_code", Wanted(equals=4711)),) if rng.random() < 0.3 or "identity" in spoilt else (),
        program=("program_id",) if rng.random() < 0.3 or "program" in spoilt else (),
        mode=Mode("point", "start_button", True, (("running", OFF),) if rng.random() < 0.6 else ()) if mode else None,
    )


def _points(rng: random.Random) -> dict[str, Point]:
    bits = (
        "start_button",
        "spare_out",
        "lamp_terminal",
        "fan_terminal",
        "horn",
        "rail",
        "always_on",
        "spare_in",
        "guard",
    )
    points = [
        Point("start_button", "independent", "coil", 0, writable=True, idle=False),
        Point("spare_out", "independent", "coil", 1, writable=True, idle=False),
        *(
            Point(name, "controller", "coil", place, terminal=f"{name}_terminal" if name != "valve" else None)
            for place, name in enumerate(("lamp", "fan", "valve"))
        ),
        *(Point(name, "independent", "discrete_input", place) for place, name in enumerate(bits) if place > 1),
        Point("running", "controller", "discrete_input", 0),
        Point("heartbeat", "controller", "input_register", 0, type="uint16"),
        Point("uptime", "controller", "input_register", 1, type="uint16", scale=0.01, unit="s"),
        *(
            Point(name, "controller", "input_register", 2 + place, type="uint16")
            for place, name in enumerate(("batch", "program_id", "device_code", "stage"))
        ),
        Point("hopper", "independent", "input_register", 0, type="uint16"),
        Point("rail_mv", "independent", "input_register", 1, type="uint16", levels=Levels(5_000, 19_000)),
    ]
    del rng
    return {point.name: point for point in points}


# ---------------------------------------------------------------- supply and controller


@dataclass
class _Course:
    """Supply and controller through one cycle, while they are drawn."""

    rail: list[tuple[int, float]]
    lives: list[Life]
    phases: list[tuple[int, str, int]]
    lost: int
    returned: int
    restarted: bool
    lives_shown: bool = True  # by a sign of life: without one a stale image can't be told from a new one


def _boot(rng: random.Random, power: int, stack: int, course: _Course, *, ends: int = FAR, stands: int = FAR) -> int:
    """The phases of a boot; from when the program runs."""
    at = power
    lengths = {"dark": ms(rng, 20, 150), "refused": ms(rng, 0, 60), "silent": ms(rng, 0, 40), "busy": ms(rng, 0, 60)}
    answer = rng.choice(("stale", "zeros", "stale"))
    lengths[answer] = ms(rng, 0, 120) if rng.random() < 0.7 and course.lives_shown else 0
    for name, length in lengths.items():
        if length:
            course.phases.append((at, name, stack - 1 if name == "dark" else stack))
        at += length
    course.phases.append((at, "run", stack))
    course.lives.append(Life(at, ends, stands))
    return at


def draw_course(rng: random.Random, theme: str, rig: Rig, cut: tuple[int, int], back: tuple[int, int]) -> _Course:
    """What supply and controller did."""
    assert rig.supply is not None
    supply = rig.supply
    opening, closing = ms(rng, 0, supply.opening_ns / MS), ms(rng, 0, supply.closing_ns / MS)
    opens = rng.randrange(cut[0], cut[1] + 1) + opening
    closes = rng.randrange(back[0], back[1] + 1) + closing
    if theme == "slow contact":
        which = rng.choice(("opening", "closing", "both"))
        opens += ms(rng, 20, 150) if which != "closing" else 0
        closes += ms(rng, 20, 150) if which != "opening" else 0
        opens = min(opens, back[0] - 20 * MS)
    if theme == "held up":
        opens = min(opens + ms(rng, 20, 200), closes - 20 * MS)
    rail: list[tuple[int, float]] = [(opens, 0), (closes, 1)]
    if supply.bounce_ns and rng.random() < 0.6:
        first = closes + ms(rng, 0.2, 1.2)
        again = first + ms(rng, 0.2, 1.2)
        rail += [(first, 0), (again, 1)]
        closes = again
    course = _Course(rail, [], [(-FAR, "run", 0)], opens, closes, True, rig.ready.alive is not None)
    _THEMES.get(theme, _restart)(rng, course, cut, back)
    return course


def _dies(rng: random.Random, course: _Course, at: int, *, stands: int = FAR, booted: bool = False) -> int:
    """The running life ends by loss of power; when."""
    ends = at + ms(rng, 0, 8)
    course.lives.append(Life(-FAR, ends, stands, booted))
    course.phases.append((ends, "dark", 0))
    return ends


def _restart(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    _dies(rng, course, course.lost)
    _boot(rng, course.returned, 1, course)


def _ride(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    course.lives.append(Life(-FAR, booted=False))
    course.restarted = False


def _frozen(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    stands = course.lost + ms(rng, 0, 40)
    course.lives.append(Life(-FAR, stands=stands, booted=False))
    course.phases.append((stands, "frozen", 0))
    course.restarted = False


def _late_restart(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    at = course.returned + ms(rng, 60, 900)
    _dies(rng, course, at)
    _boot(rng, at + ms(rng, 10, 60), 1, course)


def _two_restarts(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    _dies(rng, course, course.lost)
    start = _boot(rng, course.returned, 1, course)
    at = start + ms(rng, 30, 700)
    life = course.lives.pop()
    course.lives.append(replace(life, end=at))
    course.phases.append((at, "dark", 1))
    _boot(rng, at + ms(rng, 10, 60), 2, course)


def _second_start(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    """Some time after it runs again the program starts once more, and nobody on the link hears of it."""
    _restart(rng, course, cut, back)
    at = course.lives[-1].start + ms(rng, 250, 900)
    course.lives[-1] = replace(course.lives[-1], end=at)
    course.lives.append(Life(at))


def _never_runs(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    _restart(rng, course, cut, back)
    life = course.lives.pop()
    course.phases.pop()
    course.phases.append((life.start, rng.choice(("zeros", "stale")), 1))


def _for_ever(name: str) -> Any:
    def course_of(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
        _dies(rng, course, course.lost)
        course.phases.append((course.returned + ms(rng, 20, 150), name, 1))

    return course_of


def _second_feed(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    early = course.lost + int((back[0] - course.lost) * rng.uniform(0.1, 0.8))
    course.rail = [(course.lost, 0), (early, 1)]
    course.returned = early
    if rng.random() < 0.5:
        _restart(rng, course, cut, back)
        _listens_long_before_it_runs(random.Random(repr(rng.getstate())), course, back)
    else:
        _ride(rng, course, cut, back)


def _listens_long_before_it_runs(rng: random.Random, course: _Course, back: tuple[int, int]) -> None:
    """Some controllers take up connections, or answer with the old image, long before their program runs: here from
    before the command back until after it."""
    at, name, _ = course.phases[-2]
    stack = course.phases[-1][2]
    if rng.random() < 0.5 or at >= back[0] or name not in ("stale", "zeros", "silent", "busy"):
        return
    runs = back[1] + ms(rng, 20, 600)
    course.phases[-1] = (runs, "run", stack)
    course.lives[-1] = replace(course.lives[-1], start=runs)


def _welded(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    course.rail = []
    _ride(rng, course, cut, back)


def _network(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    """The contact is welded; only the controller's network part goes with the command, and comes again after it."""
    course.rail = []
    _ride(rng, course, cut, back)
    at = course.lost + ms(rng, 0, 8)
    again = back[1] + ms(rng, 5, 700)
    course.phases.append((at, "dark", 0))
    if rng.random() < 0.6:
        course.phases.append((rng.randrange(at, again), "refused", 1))
    course.phases.append((again, "run", 1))


def _not_reclosing(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    course.rail = [(course.lost, 0)]
    course.returned = FAR
    _dies(rng, course, course.lost)


def _second_dip(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    again = course.returned + ms(rng, 30, 500)
    length = ms(rng, 20, 150)
    course.rail += [(again, 0), (again + length, 1)]
    _dies(rng, course, course.lost)
    start = _boot(rng, course.returned, 1, course)
    if again <= start:
        course.lives.pop()
        course.phases = [one for one in course.phases if one[0] < again]
    else:
        course.lives.append(replace(course.lives.pop(), end=again))
    course.phases.append((again, "dark", 1))
    _boot(rng, again + length, 2, course)


def _freeze_later(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    _restart(rng, course, cut, back)
    life = course.lives.pop()
    stands = life.start + ms(rng, 20, 1200)
    course.lives.append(replace(life, stands=stands))
    course.phases.append((stands, "frozen", 1))


def _mode(rng: random.Random, course: _Course, cut: tuple[int, int], back: tuple[int, int]) -> None:
    """Run mode is left and entered; the link and the sign of life go on."""
    course.rail = []
    course.lost, course.returned = rng.randrange(*cut), rng.randrange(*back)
    course.lives.append(Life(-FAR, booted=False))
    course.restarted = False


_THEMES: dict[str, Any] = {
    "ride": _ride,
    "frozen": _frozen,
    "late restart": _late_restart,
    "two restarts": _two_restarts,
    "second start": _second_start,
    "never runs": _never_runs,
    "busy for ever": _for_ever("busy"),
    "refuses for ever": _for_ever("refused"),
    "second feed": _second_feed,
    "network": _network,
    "welded": _welded,
    "not reclosing": _not_reclosing,
    "second dip": _second_dip,
    "freeze later": _freeze_later,
    "mode": _mode,
}
DIPS = ("ride", "dip restart", "frozen", "late restart")


# ---------------------------------------------------------------- outputs


def draw_output(rng: random.Random, theme: str, course: _Course, before: bool) -> Steps:
    """The history of one terminal: what the program does with it, what the supply does to it."""
    changes: list[tuple[int, float]] = []
    on = float(before)
    if theme == "mode":
        if rng.random() < 0.8:
            changes.append((course.lost + ms(rng, 1, 20), 0))
        return Steps.of(on, *changes, *_pattern(rng, course.returned, 0.0 if changes else on))
    last = on
    for place, life in enumerate(course.lives):
        if place:
            changes += _pattern(rng, life.start, last)
            changes = [one for one in changes if one[0] < life.end or one[0] < life.start]
            last = changes[-1][1] if changes else last
        if life.stands < life.end:
            changes = [one for one in changes if one[0] < life.stands]
            continue
        if life.end < FAR:
            power = next((at for at, value in sorted(course.rail) if value and at > life.end), FAR)
            last = changes[-1][1] if changes else last
            if last:
                changes.append((_falls(rng, life.end, power), 0))
                last = 0.0
        elif not life.booted and life.end == FAR:
            changes += _through_a_dip(rng, course, last)
    return Steps.of(on, *sorted(changes))


def _falls(rng: random.Random, at: int, power: int) -> int:
    """When a terminal that was on goes off: at once, late (stored energy, a slow contact), or long after the supply
    is back."""
    drawn = rng.random()
    if drawn < 0.82:
        return at + ms(rng, 0, 8)
    if drawn < 0.92 or power == FAR:
        return at + ms(rng, 10, 120)
    return power + ms(rng, 10, 400)


def _through_a_dip(rng: random.Random, course: _Course, last: float) -> list[tuple[int, float]]:
    """What happens at a terminal whose program goes on."""
    drawn = rng.random()
    if drawn < 0.5:
        return []
    if drawn < 0.7 and last and course.returned < FAR and course.rail:  # its load hangs on the same supply
        return [(course.lost + ms(rng, 0, 3), 0), (course.returned + ms(rng, 0, 3), 1)]
    at = course.returned if course.returned < FAR else course.lost
    return _pattern(rng, at + ms(rng, 0, 50), last)


def _pattern(rng: random.Random, start: int, now: float) -> list[tuple[int, float]]:
    """What a program does with an output from a start on."""
    drawn = rng.random()
    at = start + ms(rng, 0, 350)
    length = ms(rng, 4, 260)
    other = 1.0 - now
    if drawn < 0.36:
        return []
    if drawn < 0.64:
        return [(at, other)]
    if drawn < 0.82:
        return [(at, other), (at + length, now)]
    if drawn < 0.88:
        pause = ms(rng, 20, 120)
        return [(at, other), (at + length, now), (at + length + pause, other)]
    if drawn < 0.94:
        return [(start + ms(rng, 0, 4), other), (start + ms(rng, 60, 400), now), (start + ms(rng, 420, 600), other)]
    return [(start + ms(rng, 500, 1500), other)]


# ---------------------------------------------------------------- expectations


def draw_expectations(rng: random.Random, world: World) -> dict[str, Any]:
    """Fields of the scenario: what is demanded."""
    after: list[Expectation] = []
    for _ in range(rng.randrange(3, 6)):
        one = _draw_one(rng, world)
        if one is not None and not any(_same(one, other) for other in after):
            after.append(one)
    during = tuple(
        Expectation("during", name, JUDGED[name], "is", rng.choice((OFF, OFF, ON)), text="during")
        for name in rng.sample(("lamp", "fan", "horn"), k=rng.choice((0, 0, 1)))
    )
    if world.mode and (told := random.Random(f"{world.seed}/valve")).random() < 0.4:
        during += (Expectation("during", "valve", "valve", "is", told.choice((OFF, ON)), text="valve during"),)
    times = tuple(
        MarkLimit(mark, Window(0, ms(rng, 50, 900)), mark)
        for mark in rng.sample(("ready", "answered", "good", "alive"), k=rng.choice((0, 0, 1)))
        if mark != "alive" or world.rig.ready.alive is not None
    )
    gaps: tuple[Gap, ...] = ()
    if rng.random() < 0.3:
        first, then = rng.sample(("lamp", "fan", "horn"), k=2)
        low = rng.choice((None, ms(rng, 1, 150)))
        high = ms(rng, 20, 500) if low is None or rng.random() < 0.5 else None
        comes = [_comes(world, JUDGED[name], 1.0) for name in (first, then)]
        if comes[0] is not None and comes[1] is not None and rng.random() < 0.6:
            apart = comes[1] - comes[0]
            if apart < 0:
                first, then, apart = then, first, -apart
            low, high = max(0, apart - ms(rng, -20, 80)), apart + ms(rng, -20, 120)
            low, high = (min(low, high), max(low, high, MS)) if rng.random() < 0.6 else (None, max(high, MS))
        if low is not None and high is not None and high < low:
            low, high = high, low
        gaps = (Gap(first, then, JUDGED[first], JUDGED[then], low, high, "gap"),)
    return {"after": tuple(after), "during": during, "times": times, "gaps": gaps}


def _same(one: Expectation, other: Expectation) -> bool:
    return one.point == other.point and one.text == other.text


def _draw_one(rng: random.Random, world: World) -> Expectation | None:
    kind = pick(rng, {"is": 6, "within": 4, "between": 3, "never": 6, "stays": 4, "returns": 3, "value": 5})
    if kind == "value":
        return _draw_value(rng)
    point = rng.choice(OUTPUTS if kind in ("is", "within") else ("lamp", "fan", "horn", "lamp", "fan", "horn", "valve"))
    before = bool(world.truth[JUDGED[point]].at(world.lost - MS))
    as_it_ends = bool(world.truth[JUDGED[point]].at(world.back[1] + 2 * S))
    wanted = OFF if rng.random() < 0.5 else ON
    if rng.random() < 0.6:
        wanted = ON if as_it_ends else OFF
    text = kind
    one = Expectation(
        "after", point, JUDGED[point], "is", wanted, text=text, blind_ns=rng.choice((1000, 1000, 150)) * MS,
        longer_than_ns=rng.choice((15, 30, 60, 100)) * MS, until=rng.choice(("watch", "watch", "watch", "command")),
    )  # fmt: skip
    if kind == "is":
        return one
    if kind in ("within", "between"):
        high = ms(rng, 30, 900)
        low = 0 if kind == "within" else rng.randrange(high // 4, high)
        comes = _comes(world, JUDGED[point], float(wanted == ON))
        if comes is not None and rng.random() < 0.7:  # close to what will truly be
            high = max(20 * MS, comes + ms(rng, -60, 200))
            low = 0 if kind == "within" else min(high - 5 * MS, max(5 * MS, comes - ms(rng, -30, 150)))
        start = rng.choice(("restored", "restored", "restored", "ready", "lamp"))
        if start == point:
            start = "restored"
        return replace(one, window=Window(low, high), start=start)
    if kind == "returns":
        return replace(one, kind="returns", wanted=ON)
    if kind == "stays" and rng.random() < 0.3:
        return replace(one, kind="stays", wanted=Wanted(as_before=True))
    del before
    if kind == "never":
        wanted = OFF if wanted == ON else ON
    return replace(one, kind=kind, wanted=wanted)  # type: ignore[arg-type]


def _comes(world: World, name: str, value: float) -> int | None:
    """When the terminal truly comes to a value after the return of the supply."""
    truth = world.truth[name]
    later = [at for at, one in zip(truth.times, truth.values, strict=True) if one == value and at > world.returned]
    return later[0] - world.returned if later else None


def _draw_value(rng: random.Random) -> Expectation:
    point = rng.choice(("batch", "batch", "stage", "hopper"))
    wanted = rng.choice((
        Wanted(as_before=True), Wanted(change=(0, 1)), Wanted(equals=41, tolerance=0.5), Wanted(one_of=(0, 3)),
        Wanted(above=1, below=50), Wanted(as_before=True, tolerance=2),
    ))  # fmt: skip
    return Expectation("after", point, point, "is", wanted, text="value", blind_ns=rng.choice((1000, 150)) * MS)


# ---------------------------------------------------------------- the whole


SPOILERS = ("channel", "pulse", "guard", "identity", "program", "stuck", "wire", "identity unread", "independent dark")


def draw(seed: int) -> World:
    """The world of a seed, played to its end."""
    rng = random.Random(seed)
    theme = pick(rng, THEMES)
    odd = random.Random(f"{seed}/odd")
    theme = "network" if odd.random() < 0.02 else theme
    theme = "second start" if random.Random(f"{seed}/start").random() < 0.02 else theme
    spoilt = {name for name in SPOILERS if rng.random() < 0.025}
    rig = draw_rig(rng, theme, spoilt)
    if theme == "network":
        told = odd.random() < 0.6
        rig = replace(
            rig, proof_of_cut=(Proof("contact lost"),), ready=replace(rig.ready, alive="heartbeat" if told else None)
        )
    if theme == "second start":  # a rig that is told of it, by its uptime
        rig = replace(rig, proof_of_cut=(*(one for one in rig.proof_of_cut if one.of_supply), Proof("falls", "uptime")))
    dip = theme in DIPS or (theme in ("welded", "second feed", "stall") and rng.random() < 0.4)
    asked = ms(rng, 25, 100) if dip else ms(rng, 260, 600)
    begin = ms(rng, 450, 600)
    cut = (begin, begin + ms(rng, 0.2, 3))
    stalled = int(asked * rng.uniform(0.05, 1.6)) + ms(rng, 0, 150) if theme == "stall" else 0
    back0 = cut[0] + asked + ms(rng, 0, 2) + stalled
    back = (back0, back0 + ms(rng, 0.2, 3))
    course = draw_course(rng, theme, rig, cut, back)
    restart = _demanded_restart(rng, course, dip, rig)
    scenario = Scenario(
        "world", "mode" if theme == "mode" else "supply", (Case("", asked),), restart=restart,  # type: ignore[arg-type]
        settle_ns=rng.choice((0, 20, 80)) * MS, watch_ns=ms(rng, 350, 700),
    )  # fmt: skip
    order = sorted(enumerate(course.phases), key=lambda one: (one[1][0], one[0]))
    phases = Phases(*zip(*(one for _, one in order), strict=True))  # type: ignore[arg-type]
    world = World(
        seed, theme, rig, scenario, asked, cut, back, course.lost, course.returned,
        Steps.of(1.0, *course.rail), tuple(course.lives), phases, course.restarted, {},
        _wires(rng, rig, theme, (cut, back)), spoilt=spoilt,
    )  # fmt: skip
    _lag_the_image(random.Random(f"{seed}/image"), world)
    world.reborn = course.lives[-1].start if theme == "second start" else FAR
    if theme == "network":  # what tells there is that the outputs were read all through
        world.wires["independent"] = replace(world.wires["independent"], outages=())
    world.delay = rng.randrange(rig.devices["independent"].input_delay_ns + 1)
    lag = rig.devices["independent"].image_lag_ns
    world.cache = rng.randrange(1, lag + 1) if lag else 0
    world.pace = rng.choice((10, 20, 30)) * MS
    world.uptime0 = 60.0 + rng.random() * 100
    if rng.random() < (0.6 if theme in ("welded", "ride", "second feed") else 0.1):
        world.uptime0 = 655.36 - (course.lost + (back[1] - course.lost) * rng.uniform(0.0, 1.5)) / S
    _tell_truth(rng, world, course)
    if rig.proof_of_cut == (Proof("contact lost"),) and odd.random() < 0.5:
        wraps = ms(odd, 100, 350)  # at the latest so long after the cycle's start, and seen to do so
        world.beats = (256 - wraps // world.pace, 256)
    _pace_oddly(world)
    if rig.check_pulse is not None and odd.random() < 0.08:
        world.age = odd.choice((60, 150, 400)) * MS + ms(odd, -30, 30)
    lagging = random.Random(f"{seed}/old")
    if theme in ("restart", "ride", "dip restart") and not world.age and lagging.random() < 0.08:
        world.old = ms(lagging, 45, 150)
    world.scenario = replace(scenario, **draw_expectations(rng, world))
    _rattle(world)
    if odd.random() < 0.04:
        _hide_before(odd, world)
    _end_a_connection(random.Random(f"{seed}/closed"), world)
    return world


def _lag_the_image(rng: random.Random, world: World) -> None:
    """A controller that lives on, or stands, behind a gateway that answers from a copy."""
    if world.theme not in ("ride", "frozen") or rng.random() >= 0.3:
        return
    world.image = ms(rng, 50, 400)
    devices = dict(world.rig.devices)
    devices["controller"] = replace(devices["controller"], image_lag_ns=world.image + ms(rng, 0, 50))
    world.rig = replace(world.rig, devices=devices)
    world.scenario = replace(world.scenario, watch_ns=max(world.scenario.watch_ns, 1000 * MS))


def _end_a_connection(rng: random.Random, world: World) -> None:
    """A server or a gateway closes a connection that lives, in good order; or something between resets it."""
    if rng.random() >= 0.03 or world.theme not in ("restart", "ride", "dip restart", "welded"):
        return
    low, high = world.back[1] + ms(rng, 0, 100), world.back[1] + ms(rng, 100, 1200)
    if world.theme == "welded" and rng.random() < 0.6:
        low, high = world.cut
        high += world.asked
    counts = world.rig.ready.alive is not None and world.beats == (0, 65536) and world.step == 1 and not world.image
    kind = RESET if world.theme == "ride" and counts and rng.random() < 0.4 else CLOSED
    at = rng.randrange(low, high) if kind == CLOSED else max(low, 1050 * MS) + ms(rng, 0, 800)
    wire = replace(world.wires["controller"], ends=((at, int(kind)),))
    if kind == RESET:  # told from a restart by its sign of life alone
        wire = replace(wire, outages=(), lost_one_in=0, exception_one_in=0, missed_one_in=0, stalls=())
        world.scenario = replace(world.scenario, watch_ns=max(world.scenario.watch_ns, 3000 * MS))
    world.wires["controller"] = wire


def _pace_oddly(world: World) -> None:
    """Where the link alone proves the cut, or an uptime: a sign of life that is slow, or takes great steps."""
    rng = random.Random(f"{world.seed}/pace")
    if {one.kind for one in world.rig.proof_of_cut} & {"value", "rises"} or world.mode or rng.random() > 0.5:
        return
    if world.theme in ("two restarts", "second start"):
        return
    world.beats = (rng.randrange(500, 60_000), 65536)
    wire = world.wires["controller"]
    if wire.ends:  # whether a connection was closed and nothing else is told by a usual sign of life
        return
    if rng.random() < 0.5 and not (wire.outages or wire.lost_one_in):  # on a new connection its reads count late
        world.pace = ms(rng, 130, 190)
    else:
        world.step = rng.choice((1000, 9973))


def _rattle(world: World) -> None:
    """The horn gives short pulses, parted for less than two reads lie apart, each a little shorter than it may be."""
    rng = random.Random(f"{world.seed}/rattle")
    if rng.random() > 0.06 or world.theme not in ("restart", "mode", "dip restart") or world.returned >= FAR:
        return
    at, length, changes = world.returned + ms(rng, 300, 500), ms(rng, 15, 60), [(world.lost, 0.0)]
    for _ in range(rng.randrange(3, 9)):
        changes += [(at, 1.0), (at + length, 0.0)]
        at += length + ms(rng, 1, 5)
    world.truth["horn"] = Steps.of(0.0, *changes)
    kept = [one for one in world.scenario.after if one.point != "horn"]
    never = Expectation(
        "after", "horn", "horn", "never", ON, text="never", longer_than_ns=length + ms(rng, 2, 12), blind_ns=S
    )
    world.rattles = True
    world.scenario = replace(world.scenario, after=(*kept, never))


def _hide_before(rng: random.Random, world: World) -> None:
    """The hopper's level is not read for a while before the cut, changes meanwhile, and shall be as before."""
    world.unread = (ms(rng, 100, 200), max(world.cut[0], world.lost) + ms(rng, 0, 20))
    level = float(rng.choice((41, 55)))
    world.truth["hopper"] = Steps.of(41, (world.unread[0] + ms(rng, 20, 100), 55.0), (world.back[1], level))
    kept = [one for one in world.scenario.after if one.point != "hopper"]
    same = Expectation("after", "hopper", "hopper", "is", Wanted(as_before=True), text="value", blind_ns=150 * MS)
    world.scenario = replace(world.scenario, after=(*kept, same))


def _demanded_restart(rng: random.Random, course: _Course, dip: bool, rig: Rig) -> str:
    supply_proof = any(proof.of_supply for proof in rig.proof_of_cut)
    words = {"required": 6, "either": 2, "none": 0}
    if dip and supply_proof:
        words = {"required": 2, "either": 2, "none": 5}
    return pick(rng, words)


def _wires(rng: random.Random, rig: Rig, theme: str, times: tuple[tuple[int, int], tuple[int, int]]) -> dict[str, Wire]:
    (cut, _), (back, _) = times
    found = {}
    stalls: tuple[tuple[int, int], ...] = ()
    if theme == "stall":
        stalls = ((cut + ms(rng, 4, 20), back - ms(rng, 0.1, 1)),)
    elif rng.random() < 0.08:
        at = ms(rng, 100, 2500)
        stalls = ((at, at + ms(rng, 20, 400)),)
    again = theme in ("late restart", "two restarts", "second start", "second dip", "freeze later")
    stalls = () if again else stalls  # what ends a life must not be mixed up with what only blinds the bench
    for name, device in rig.devices.items():
        quality = pick(rng, {"clean": 70, "lossy": 10, "slow": 8, "odd": 6, "outage": 10})
        quality = "clean" if again and name == "controller" and quality != "slow" else quality
        wire = Wire(
            device.poll_ns, device.answer_within_ns, requests=2, phase=rng.randrange(device.poll_ns), stalls=stalls,
            exception_code=rng.choice((0, 2, 4, 6, 11)),
        )  # fmt: skip
        if quality == "lossy":
            wire = replace(wire, lost_one_in=rng.choice((30, 150)), missed_one_in=rng.choice((0, 20)))
        elif quality == "slow":
            wire = replace(wire, latency=(2 * MS, rng.choice((5, 12)) * MS))
        elif quality == "odd":
            wire = replace(wire, exception_one_in=rng.choice((10, 100)), missed_one_in=rng.choice((0, 10)))
        elif quality == "outage":
            at = cut - 200 * MS + ms(rng, 0, 2000)
            wire = replace(wire, outages=((at, at + ms(rng, 10, rng.choice((150, 1300)))),))
        found[name] = wire
    return found


def _tell_truth(rng: random.Random, world: World, course: _Course) -> None:
    """Histories of all points."""
    truth = world.truth
    kept = world.theme == "network" and random.Random(f"{world.seed}/kept").random() < 0.6
    for name in ("lamp", "fan", "horn", "valve"):
        output = draw_output(rng, world.theme, course, rng.random() < 0.6)
        if kept and name != "horn":
            output = Steps.of(1.0)
        truth[JUDGED[name]] = output
        truth[name] = output
    truth["rail"] = world.rail
    truth["rail_mv"] = Steps(world.rail.times, tuple(24_000.0 * value for value in world.rail.values))
    truth["running"] = _running(rng, world)
    last = max((life.start for life in world.lives), default=0)
    count = float(rng.choice((3, 41)))
    later = count + rng.choice((0, 0, 0, 1, 2)) if rng.random() < 0.85 else 0.0
    born = last if world.restarted and last > 0 else max(world.back[1], 0) + ms(rng, 0, 200)
    truth["batch"] = Steps.of(count, (born, later))
    truth["stage"] = Steps.of(3, (born + ms(rng, 0, 400), float(rng.choice((0, 3, 7)))))
    truth["hopper"] = Steps.of(41, (world.back[1] + ms(rng, 0, 400), float(rng.choice((41, 41, 42, 55)))))
    other = rng.choice((17042, 17042, 17043)) if "program" in world.spoilt else 17042
    truth["program_id"] = Steps.of(17042, (born, float(other)))
    wrong = -FAR if rng.random() < 0.5 else born
    truth["device_code"] = Steps.of(4711, (max(0, wrong), 815.0)) if "identity" in world.spoilt else Steps.of(4711)
    broken = ms(rng, 100, 1800)
    truth["always_on"] = (
        Steps.of(1, (broken, 0), (broken + ms(rng, 15, 300), 1)) if "channel" in world.spoilt else Steps.of(1)
    )
    gone = ms(rng, 100, 1800)
    truth["guard"] = Steps.of(1, (gone, 0), (gone + ms(rng, 15, 300), 1)) if "guard" in world.spoilt else Steps.of(1)
    truth["start_button"] = Steps.of(0)
    at = ms(rng, 150, 250)
    length = world.rig.check_pulse.length_ns if world.rig.check_pulse is not None else 30 * MS
    truth["spare_out"] = Steps.of(0, (at, 1), (at + length, 0)) if world.rig.check_pulse is not None else Steps.of(0)
    truth["spare_in"] = Steps.of(0) if "pulse" in world.spoilt else truth["spare_out"]
    if world.rig.check_pulse is not None:
        for value, when in ((True, at), (False, at + length)):
            world.writes.append(PointWritten(1, "spare_out", value, "check pulse", T0 + when - MS, T0 + when + MS // 2))
    if "stuck" in world.spoilt:
        truth["start_button"] = Steps.of(0, (60 * MS, 1))
        world.writes.append(PointWritten(1, "start_button", True, "press", T0 + 60 * MS, T0 + 61 * MS))
        world.writes.append(PointWritten(1, "start_button", False, "idle", T0 + 90 * MS, T0 + 91 * MS))
    if "wire" in world.spoilt:
        truth["fan_terminal"], world.disagrees = Steps.of(0), "fan"
    if "independent dark" in world.spoilt:
        wire = world.wires["independent"]
        world.wires["independent"] = replace(
            wire, outages=(*wire.outages, (world.lost, world.back[1] + ms(rng, 50, 4000)))
        )
    if "identity unread" in world.spoilt:
        pass  # played by the oracle's own reading: see `finish_world`


def _running(rng: random.Random, world: World) -> Steps:
    """The running light: on while the program runs."""
    if world.theme == "mode":
        late = rng.choice((0, ms(rng, 5, 300)))
        return Steps.of(1, (world.lost, 0), (world.returned + late, 1))
    changes: list[tuple[int, float]] = []
    late = ms(rng, 0, 120) if rng.random() < 0.4 else 0
    for life in world.lives:
        if life.start > -FAR:
            changes.append((life.start + late, 1))
        if life.end < FAR:
            changes.append((life.end, 0))
    if world.theme == "restart" and rng.random() < 0.05 and world.lives[-1].booted:
        changes = [one for one in changes if one[1] == 0]  # the program runs, the light stays out
    return Steps.of(1, *changes)


__all__ = ["GLOW", "JUDGED", "OFF", "ON", "OUTPUTS", "T0", "Life", "World", "draw", "ms", "pick"]
_ = (Expect, Press, Step)
