"""The bench's actuators: every command to a point or to the supply goes through here, so that it can be put back.

Only points of the allow-list are ever written. On every way out: first every pressed or held point back to idle,
read back; then the supply to its resting state, not before its shortest off time is over.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, nullcontext, suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from restart_bench.model.clock import NS_PER_MS, NS_PER_S, now_ns
from restart_bench.model.journal import BROKEN_OFF, WAY_OUT, Answered, PointWritten, Record, Switching, WriteAnnounced
from restart_bench.model.live import Guess, Reading, powered_by_proof
from restart_bench.model.rig import Point, Rig, RigSupply, Value
from restart_bench.model.wording import alike, listed, value_word
from restart_bench.observer.handle import ObserverHandle, answered_within
from restart_bench.observer.link import NO_CONTACT
from restart_bench.run.arming import manual_step
from restart_bench.run.supervision import Conditions, StopRequest
from restart_bench_drivers.interface import AskPerson, LevelSupply, Supply, SupplyError

A = TypeVar("A")

_RESTORE_TRIES = 5
_TRIES_BY_HAND = 2  # a person who breaks a question off is asked once more; one who says no is not
_CONTRARY_TRIES = 2  # of a relay that obeys, while the rail shows that its contact does not
_RESTORE_PAUSE_S = 0.5
_RAIL_WITHIN_NS = NS_PER_S  # for the rail to follow, beyond what the relay itself takes
_READ_BACK_WITHIN_NS = 2 * NS_PER_S
_IDLE_PATIENCE_NS = 6 * NS_PER_S  # for all points together: the supply must not wait for long
_IDLE_PAUSE_S = 0.2
_CONTACT_WITHIN_NS = NS_PER_S
_ANSWERS_WITHIN_NS = NS_PER_S // 2  # a controller whose power is gone is silent by the time the rail was waited for
_WORD_WITHIN_NS = 3 * NS_PER_S
"""For a controller to answer, or to fall silent, after a person said that it was switched."""
_CONTACT_PAUSE_S = 0.05


class CommandRefused(Exception):
    """A command was not taken; the text says which, what came, and what to check."""


class SupplyFailed(CommandRefused):
    """The supply did not do as told. `problem`: what its driver says of that."""

    def __init__(self, to: str, problem: str) -> None:
        super().__init__(f"the supply did not go {to}: {problem}")
        self.problem = problem


@dataclass(frozen=True, slots=True)
class SupplyLeft:
    """How a supply was left: its state (on, off, in whose words), and what went wrong where it is not left well."""

    state: str = ""
    trouble: str = ""

    def __str__(self) -> str:
        return f"{self.state}: {self.trouble}" if self.trouble else self.state


def relay_against_rail(rig: Rig, says_on: bool, rail: str) -> str:
    """What a relay's own state says of the supply, against what the rail reads (`rail`), and where to look."""
    contact = rig.supply.contact if rig.supply is not None else None
    relay = f"the relay's state means with `contact: {contact}` that" if contact else "by its own word"
    return (
        f"{relay} the supply is {_seen(says_on)}, but {rail}; look whether `contact:` is written the wrong way round, "
        "whether the relay's contact follows, and at the address and the wiring of the rail"
    )


@dataclass(slots=True)
class SupplyState:
    """What was last commanded, and since when (end of the command)."""

    commanded: str = "unknown"  # on, off, level (neither of both), unknown
    on_since_ns: int | None = None
    off_since_ns: int | None = None
    operations: int = 0


class Actuators:
    """Presses, holds, writes and switches; remembers what has to be undone."""

    def __init__(
        self,
        rig: Rig,
        observer: ObserverHandle,
        supply: Supply | None,
        *,
        allowed: frozenset[str],
        publish: Callable[[Record], None],
        ask: AskPerson | None,
        stop: StopRequest,
        heed_limits: bool,
    ) -> None:
        self._rig = rig
        self._observer = observer
        self._supply = supply
        self._allowed = allowed
        self._publish = publish
        self._ask = ask
        self._stop = stop
        self._heed_limits = heed_limits
        self._limits = rig.supply.limits if heed_limits and rig.supply is not None else None
        self._asks_person = _asks_person(rig)
        self._left_run_mode = False  # the mode switch that a person turns may stand elsewhere
        self._given_up = ""  # what a person could not be brought to switch the supply to
        self._rail_points = rig.supply_points
        self._out_of_idle: dict[str, Value] = {}  # point -> value to go back to
        self._let_go: dict[str, PointWritten] = {}  # point -> the write that put it back, as its device confirmed it
        self._shown_idle: set[str] = set()  # of those: read so since
        self.state = SupplyState()
        self.cycle = 0
        self.before_start: Callable[[str], None] | None = None  # waits out the limits of the point
        self.renew: Callable[[], ObserverHandle | None] | None = None  # another observer in place of one that failed
        self.forbids: Callable[[], str] = lambda: ""  # why the supply may not go on now
        self.looking_on: Callable[[], AbstractContextManager[None]] = nullcontext  # while a person is asked

    # ------------------------------------------------------------ points

    def write(self, name: str, value: Value, purpose: str, *, patient: bool = True) -> PointWritten:
        """Writes one point and records it. Raises CommandRefused if it was not taken, or may not be written."""
        self._refuse_unnamed(name)
        self._let_go.pop(name, None)
        if name in self._out_of_idle and value != self._out_of_idle[name]:
            self._publish(WriteAnnounced(self.cycle, name, value, purpose, now_ns()))
        done = self._observer.write(name, value, purpose)
        tries, until = 0, now_ns() + (_CONTACT_WITHIN_NS if patient else 0)
        while done.problem == NO_CONTACT and now_ns() < until and not self._observer.failed:
            time.sleep(_CONTACT_PAUSE_S)  # nothing was sent, so it can be said again once somebody listens
            tries += 1
            done = self._observer.write(name, value, purpose)
        retries = done.retries + tries
        record = PointWritten(self.cycle, name, value, purpose, done.sent_ns, done.received_ns, done.problem, retries)
        self._publish(record)
        if done.problem:
            device = self._rig.devices[self._rig.points[name].device]
            raise CommandRefused(
                f"{name} could not be written ({done.problem}); check {device.name} at {device.host}:{device.port}"
            )
        return record

    def _refuse_unnamed(self, name: str) -> None:
        if name not in self._allowed:
            raise CommandRefused(f"{name} is not on the list of points that this run may write; nothing was written")

    def leave_idle(self, name: str, purpose: str) -> None:
        """Takes a point out of idle; it is put back on every way out. Raises CommandRefused."""
        point = self._rig.points[name]
        if point.by_hand is None:
            self._refuse_unnamed(name)
        if self.before_start is not None:
            self.before_start(name)
        idle = point.at_rest
        self._out_of_idle[name] = idle  # before the write: a lost answer may still have moved it
        if point.by_hand is not None:
            self._by_hand(point, f"Press and keep pressed: {point.by_hand}", out_of_idle=True)
            return
        self.write(name, not idle if point.is_boolean else 1 - int(idle), purpose)

    def back_to_idle(self, name: str, purpose: str = "release") -> None:
        """Puts a point back. Raises CommandRefused; it then stays on the list of what has to be undone."""
        point = self._rig.points[name]
        if point.by_hand is not None:
            self._by_hand(point, _let_go(point), out_of_idle=False)
        else:
            self._now_let_go(self.write(name, point.at_rest, purpose))
        self._out_of_idle.pop(name, None)

    def _now_let_go(self, written: PointWritten) -> None:
        self._let_go[written.point] = written
        self._shown_idle.discard(written.point)

    def still_out(self) -> dict[str, bool]:
        """Points that were let go of and do not read so, themselves or at their terminal: whether they read otherwise
        now (True), or were not read since (False). Their devices had confirmed it. Does not wait."""
        found = {name: self._reads_out(name) for name in self._let_go if name not in self._out_of_idle}
        self._shown_idle |= {name for name, out in found.items() if out is False}
        return {name: bool(out) for name, out in found.items() if out is not False}

    def _reads_out(self, name: str) -> bool | None:
        """Whether a point that was let go of reads otherwise, None where it is not read."""
        written, point = self._let_go[name], self._rig.points[name]
        shown: list[bool | None] = []
        for one in (point, self._rig.points.get(point.terminal or "")):
            if one is not None:
                reading = self._observer.latest(one.name)
                value = None if reading is None or reading.sent_ns < written.received_ns else reading.value
                shown.append(None if value is None else not _same(one, value, written.value))
        return True if True in shown else None if None in shown else False

    def press_by_hand(self, point: Point, instead: tuple[str, ...] | None = None) -> Answered:
        """One press by a person; the point's own input shows it. `instead`: asked once more, since this was pressed in
        its place, or nothing. Raises CommandRefused where nobody can answer."""
        before = "" if instead is None else f"{self._unseen(point, instead)} "
        return self.ask_for(f"Press briefly: {point.by_hand}. Done?", point.name, before=before)

    def let_go_by_hand(self, point: Point) -> bool:
        """The person is told that a button still reads pressed. False where they say that they can't let go of it."""
        told = f"{point.shown} still reads pressed. "
        return self.ask_for(f"{_let_go(point)}. Done?", point.name, before=told).answer

    def _unseen(self, point: Point, instead: tuple[str, ...]) -> str:
        """Why a press was not seen: where its device is silent, nobody's finger is to blame."""
        device = self._rig.devices[point.device]
        if self._observer.failed or self._answers(device.name):
            others = f", but {listed(instead)} {'was' if len(instead) == 1 else 'were'}" if instead else ""
            return f"{point.shown} was not seen pressed{others}."
        return (
            f"{device.name} does not answer at {device.host}:{device.port}, so no press can be seen: look at it first."
        )

    def on_another(
        self, rig: Rig, observer: ObserverHandle, supply: Supply | None, *, off_since_ns: int | None
    ) -> Actuators:
        """The same actuators on a rig as a killed run had it, its supply off since then: what must hold there must hold
        beside what must hold here."""
        ask, stop, heed = self._ask, self._stop, self._heed_limits
        allowed: frozenset[str] = frozenset()
        other = Actuators(
            rig, observer, supply, allowed=allowed, publish=self._publish, ask=ask, stop=stop, heed_limits=heed
        )
        other.state.off_since_ns = off_since_ns
        there = Conditions(rig, observer, isolation=False)
        other.forbids = lambda: self.forbids() or there.forbids()
        return other

    def undo(self, left: dict[str, Value]) -> None:
        """Takes over what a killed run left out of idle; such a point may be written whatever the scenarios name."""
        self._out_of_idle.update(left)
        self._allowed = self._allowed | frozenset(left)

    def take_over_cut(
        self, cut: Switching, left: dict[str, Value], held: tuple[str, ...], say: Callable[[str], None]
    ) -> tuple[str, ...]:
        """Goes on with a cut of a killed run: what a scenario holds stays held, every other point goes back to idle,
        the supply counts as off since then. Returns what could not be shown to be in idle; then nothing is held."""
        self.undo(left)
        kept = {name: self._out_of_idle.pop(name) for name in held if name in self._out_of_idle}
        failed = self.all_to_idle(say)
        self._out_of_idle.update(kept)
        self.state.commanded, self.state.off_since_ns = "off", cut.after_ns
        if failed:
            self.all_to_idle(say)
        return failed

    def held(self) -> tuple[str, ...]:
        """The points that are out of idle now."""
        return tuple(self._out_of_idle)

    def remember_mode(self, name: str, run_value: Value) -> None:
        """The mode point counts as held while the controller is out of run."""
        self._out_of_idle[name] = run_value

    def forget(self, name: str) -> None:
        """The point is back where it belongs."""
        self._out_of_idle.pop(name, None)

    def _by_hand(self, point: Point, question: str, *, out_of_idle: bool) -> None:
        """A person does it, and the point's own input has to show it; asked once more where it does not."""
        idle = point.at_rest
        for before in ("", f"{point.shown} does not show it. "):
            if not self.ask_for(f"{question}. Done?", point.name, before=before).answer:
                raise CommandRefused(f"asked three times, it was not done: {question}")
            until = now_ns() + _CONTACT_WITHIN_NS
            if self._read_until(until, point.name, lambda reading: (reading.value != idle) is out_of_idle or None):
                return
        raise CommandRefused(f"{point.shown} was never seen {'out of' if out_of_idle else 'back in'} idle: {question}")

    def _read_until(self, until_ns: int, name: str, decides: Callable[[Reading], bool | None]) -> bool:
        """Waits for a value of a point that decides; False where none does in time."""
        while now_ns() < until_ns and not self._observer.failed:
            reading = self._observer.latest(name)
            decided = decides(reading) if reading is not None and reading.value is not None else None
            if decided is not None:
                return decided
            self._observer.wait_news(0.02)
        return False

    # ------------------------------------------------------------ people

    def ask(self, question: str, point: str = "") -> Answered:
        """Asks a person and records question and answer. Raises CommandRefused where nobody can answer."""
        if self._ask is None:
            raise CommandRefused(f"nobody is there to answer: {question}")
        asked = now_ns()
        with self.looking_on():
            yes = self._answer_to(question, self._ask)
        answered = Answered(self.cycle, question, yes, asked, now_ns(), point)
        self._publish(answered)
        return answered

    def ask_for(self, question: str, point: str = "", *, before: str = "") -> Answered:
        """Asks a person to do something. A no means "not yet", so it is asked three times; all of that is one answer,
        from the first question on. Raises CommandRefused where nobody can answer."""
        first = last = self.ask(f"{before}{question}", point)
        for begin in ("Not yet. ", "Not yet; after a third no it is not asked again. "):
            if last.answer:
                break
            last = self.ask(f"{begin}{question}", point)
        return replace(last, asked_ns=first.asked_ns)

    def switch_mode_by_hand(self, to: str) -> None:
        """A person turns the mode switch. Raises CommandRefused where that is not done."""
        self._left_run_mode = True  # before the question: it may be broken off with the switch turned already
        verb = "Take the controller out of run mode" if to == "stop" else "Put the controller back into run mode"
        verb += self._mode_switch()
        if not self.ask_for(f"{verb}. Done?").answer:
            if to == "run" and (shows := self._reads_run()):
                told = f"{shows}: the controller is in run mode, and may never have left it; leave the switch in RUN"
                raise CommandRefused(f"asked three times, the mode switch was not turned back, but {told}")
            raise CommandRefused(f"asked three times, the mode switch was not turned: {verb[0].lower()}{verb[1:]}")
        self._left_run_mode = to == "stop"

    def tell_of_the_mode(self, say: Callable[[str], None]) -> None:
        """On the way out: a mode switch that a person did not turn back is told, unless the controller runs."""
        if not self._left_run_mode:
            return
        self._left_run_mode = False
        if not self._reads_run():
            where = f"turn it to RUN at the rig{self._mode_switch()}"
            say(f"RUN MODE WAS LEFT and the mode switch was not turned back: {where}")

    def _mode_switch(self) -> str:
        """The switch that a person turns, as it is labelled: ` (key switch S9)`."""
        return f" ({self._rig.mode.switch})" if self._rig.mode is not None and self._rig.mode.switch else ""

    def _reads_run(self) -> str:
        """What a proof of the mode reads now, if that is run mode; else ""."""
        for name, wanted in self._rig.mode.proof if self._rig.mode is not None else ():
            read = self._observer.latest(name)
            fresh = read is not None and now_ns() - read.received_ns < _CONTACT_WITHIN_NS
            if read is not None and fresh and read.value is not None and not wanted.met_by(read.value):
                return f"{self._rig.points[name].shown} reads {value_word(read.value)}"
        return ""

    def guess(self, question: str, guess: Guess) -> bool | None:
        """Asks a person what he expects; None where he does not know. Raises CommandRefused where nobody can answer."""
        with self.looking_on():
            return self._answer_to(question, guess)

    def _answer_to(self, question: str, ask: Callable[[str], A]) -> A:
        try:
            return self._stop.asks(ask, question)
        except SupplyError as problem:
            raise CommandRefused(str(problem)) from None

    # ------------------------------------------------------------ supply

    def switch(self, to: str, purpose: str, volts: float | None = None) -> Switching:
        """One command to the supply, recorded with bounds. Raises CommandRefused if it was not taken."""
        looking = self.looking_on if self._asks_person and purpose not in WAY_OUT else nullcontext
        with looking():
            record = self._switched(to, purpose, volts)
        if record.problem:
            raise SupplyFailed(to, record.problem)
        return record

    def _switched(self, to: str, purpose: str, volts: float | None) -> Switching:
        before = now_ns()
        problem = ""
        tried = self._retries()
        try:
            self._command(to, volts)
        except SupplyError as error:
            problem = str(error)
        except KeyboardInterrupt:
            problem = BROKEN_OFF
            raise
        except BaseException as error:  # a driver is anybody's: whatever it raises, the supply did not do as told
            problem = f"its driver failed: {type(error).__name__}: {error}"
        finally:
            # The command may have been carried out: what is known of it has to be kept before anything else.
            after = now_ns()
            record = Switching(self.cycle, "supply", to, purpose, before, after, problem, self._retries() - tried)
            self._remember(to, record.after_ns, taken=not problem)
            self._publish(record)
        return record

    def _retries(self) -> int:
        """How many commands the driver said twice; one that tells no number keeps no command from the journal."""
        with suppress(Exception):
            told = getattr(self._supply, "retries", 0)
            return told if isinstance(told, int) else 0
        return 0

    def _command(self, to: str, volts: float | None) -> None:
        if self._supply is None:
            raise SupplyError("this rig has no supply that the bench can switch")
        if to == "level":
            if not isinstance(self._supply, LevelSupply) or volts is None:
                raise SupplyError("this supply has no levels between on and off")
            self._supply.level(volts)
        elif to == "on":
            self._supply.on()
        else:
            self._supply.off()

    def _remember(self, to: str, after: int, *, taken: bool) -> None:
        # A command without an answer may have been carried out: the limits count it, nothing else relies on it.
        state = self.state
        if taken:
            self._given_up = ""
        if to != state.commanded:
            state.operations += 1
        if to != "on":
            state.off_since_ns, state.on_since_ns = after, None
        elif taken:
            if state.on_since_ns is None:  # else an earlier run had brought it on already
                state.on_since_ns = after
            state.off_since_ns = None
        state.commanded = to if taken else "unknown"

    def leave_supply(self, wish: str, purpose: str, say: Callable[[str], None], *, once: bool = False) -> SupplyLeft:
        """Brings the supply to `on` or `off` (`as it is`: nothing), with patience; returns how it was left.

        What the rail shows outranks what was commanded. Says loudly when the relay does not obey, tries again (unless
        `once`), and names the manual step. Never raises for that.
        """
        if self._supply is None or wish == "as it is":
            return SupplyLeft(f"as it is ({self.left_as()})")
        contrary = self.contrary()
        if contrary:
            shown = self.rail()
            is_so = shown is not None and _seen(shown) == wish
            step = f"by the rail it is {wish} as it shall be" if is_so else manual_step(wish, self._rig)
            say(f"THE SUPPLY WAS LEFT AS IT WAS, NOT SWITCHED {wish.upper()}: {contrary}; {step}")
            word = "relay and rail contradict each other, and this is the rail's word"
            return SupplyLeft(self.left_as(), f"not switched {wish}, {word}")
        if self.state.commanded == wish and self._rail_follows(wish):
            return SupplyLeft(self._left_so(wish))
        if wish == "on" and (why := self._kept_off(say)):
            return SupplyLeft(self.left_as(), f"not switched on, {why}")
        if self._asks_person:
            return self._brought_by_hand(wish, purpose, say)
        return self._brought(wish, purpose, say, tries=1 if once else _RESTORE_TRIES)

    def _brought_by_hand(self, wish: str, purpose: str, say: Callable[[str], None]) -> SupplyLeft:
        """A person is asked, and told what is left to do after a last no; who has given up is not asked again."""
        if self._given_up == wish:
            return self._not_as_wished(wish)
        for _ in range(_TRIES_BY_HAND):
            try:
                self.switch(wish, purpose)
            except KeyboardInterrupt:
                problem = "the question was broken off"
                continue
            except CommandRefused as error:
                problem = error.problem if isinstance(error, SupplyFailed) else str(error)
                break
            if self._rail_follows(wish):
                return SupplyLeft(self._left_so(wish))
            problem = f"you said {wish.upper()}, but {self._rail_text()}"
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {manual_step(wish, self._rig)} ({problem})")
        self._given_up = wish
        return self._not_as_wished(wish)

    def _brought(self, wish: str, purpose: str, say: Callable[[str], None], *, tries: int) -> SupplyLeft:
        contrary, told = 0, set[str]()
        for attempt in range(1, tries + 1):
            try:
                self.switch(wish, purpose)
                if self._rail_follows(wish):
                    return SupplyLeft(wish)
                contrary, tries = contrary + 1, min(tries, _CONTRARY_TRIES)
                problem = self._against_the_rail(wish)
            except (CommandRefused, KeyboardInterrupt) as error:
                problem = str(error)
            # the first of its kind, and at once; at the end comes how often it was tried
            if alike(problem) not in told:
                told.add(alike(problem))
                say(f"THE SUPPLY DID NOT GO {wish.upper()} (try {attempt} of {tries}): {problem}")
            if contrary >= _CONTRARY_TRIES:
                break
            if attempt < tries:
                time.sleep(_RESTORE_PAUSE_S)
        tried = f" (tried {attempt} times)" if attempt > 1 else ""
        say(f"THE SUPPLY MAY NOT BE {wish.upper()}: {manual_step(wish, self._rig)}{tried}")
        return self._not_as_wished(wish)

    def _left_so(self, wish: str) -> str:
        """How the supply was left; what only a person said of it is held against the wire (silence proves nothing)."""
        if not self._asks_person or self.rail() is not None:
            return wish
        device, word = self._rig.controller, f"{wish}, by the answer of a person"
        if device is None:
            return word
        deadline = now_ns() + _WORD_WITHIN_NS
        while (answers := self._answers(device.name)) is not (wish == "on"):
            if self._observer.failed:
                return word
            if now_ns() >= deadline:
                return f"{word}; {device.name} {'still answers' if answers else 'does not answer'}"
            self._observer.wait_news(0.02)
        return wish

    def _answers(self, device: str) -> bool:
        return answered_within(self._observer, device, _ANSWERS_WITHIN_NS)

    def _not_as_wished(self, wish: str) -> SupplyLeft:
        shown = self.rail()
        if shown is None or _seen(shown) == wish:
            return SupplyLeft("unknown", f"it did not go {wish}")
        return SupplyLeft(_seen(shown), f"{self._rail_text()}, although it was to go {wish}")

    # ------------------------------------------------------------ what the rail shows

    def rail(self, since_ns: int = 0) -> bool | None:
        """What a supply proof that was read since then shows: True for power there, None where none shows anything."""
        newest = ((name, self._observer.latest(name)) for name in self._rail_points)
        readings = {name: reading for name, reading in newest if reading is not None and reading.sent_ns >= since_ns}
        return powered_by_proof(self._rig.proof_of_cut, readings)

    def rail_contradicts(self, *, lasting: bool = False) -> str:
        """Why the supply, last told to be on, can't be; "" where the rail shows nothing of the kind. `lasting`: the
        rail is given a moment to follow."""
        if self.state.commanded != "on" or self.rail() is not False or (lasting and self._rail_follows("on")):
            return ""
        return f"the supply was told to be on, but {self._rail_text()}"

    def stays(self, wish: str) -> bool:
        """Where a guard was lost: True where the supply is left as it is: it is off, or must not be told to go on. What
        the rail shows outranks commands."""
        commanded = self.state.commanded
        if commanded == "level":
            return False
        return self.is_off() or (wish == "on" and commanded != "on")

    def contrary(self) -> str:
        """Before anything was switched: what the relay says against the rail, "" where they agree or don't tell."""
        if self._supply is None or self.state.operations or self.state.commanded != "unknown":
            return ""
        says = self._relay_says()
        shown = self._rail_soon(says)
        if shown is None or says is None or shown == says:
            return ""
        return relay_against_rail(self._rig, says, self._rail_text())

    def _relay_says(self) -> bool | None:
        assert self._supply is not None
        try:
            return self._supply.is_on()
        except Exception:  # a relay that can't be asked contradicts nothing; the command to it will tell
            return None

    def _rail_soon(self, expected: bool | None) -> bool | None:
        """The rail, given a moment to be read first, and to come to what is expected."""
        if not self._rail_points:
            return None
        since, deadline = now_ns(), now_ns() + _CONTACT_WITHIN_NS
        while (shown := self.rail(since)) is None or shown != expected:
            if expected is None or now_ns() >= deadline or self._observer.failed:
                break
            self._observer.wait_news(0.02)
        return shown

    def _rail_follows(self, wish: str) -> bool:
        """False where the rail goes on to show the contrary, longer than relay and supply may take."""
        supply = self._rig.supply
        delay = 0 if supply is None else supply.bounce_ns + max(supply.opening_ns, supply.closing_ns)
        deadline = now_ns() + delay + _RAIL_WITHIN_NS
        while (shown := self.rail(now_ns() - delay - _RAIL_WITHIN_NS)) is not None and _seen(shown) != wish:
            if now_ns() >= deadline or self._observer.failed:
                return False
            self._observer.wait_news(0.02)
        return True

    def _against_the_rail(self, wish: str) -> str:
        """What the rail says against a relay that obeyed; a controller that answers speaks against the rail."""
        device = self._rig.controller
        if wish != "on" or device is None or not self._answers(device.name):
            return f"the relay confirmed it, but {self._rail_text()}"
        return (
            f"the relay confirmed it and {device.name} answers, but {self._rail_text()}: look at the rail's input and "
            "its wire, and at the independent I/O"
        )

    def _rail_text(self) -> str:
        for name in self._rail_points:
            reading = self._observer.latest(name)
            if reading is not None and reading.value is not None:
                return f"{name} reads {value_word(reading.value)}"
        return "the rail is not read"

    def is_off(self) -> bool:
        """Whether there is no power, by the rail, else as it was commanded; a rig without a supply is never off."""
        shown = self.rail()
        return self.state.commanded == "off" if shown is None else not shown

    def left_as(self) -> str:
        """How the supply stands: as the rail shows it, given a moment to follow, else as it was commanded."""
        commanded = self.state.commanded
        if commanded in ("on", "off"):
            self._rail_follows(commanded)
        shown = self.rail()
        return _seen(shown) if shown is not None else "at a level" if commanded == "level" else commanded

    def _kept_off(self, say: Callable[[str], None]) -> str:
        """Waits until the shortest off time is over; returns why the supply may not go on, "" for no reason."""
        if self._observer.failed:
            self._renewed()
        until = self.on_not_before_ns()
        left = until - now_ns()
        if left > 0:
            say(f"the supply stays off for another {left / NS_PER_S:.1f} s (off_at_least), then it goes on")
        while not (why := self._not_let_go() or self.forbids()) and (left := until - now_ns()) > 0:
            time.sleep(min(left, 200 * NS_PER_MS) / NS_PER_S)
        if why:
            say(f"THE SUPPLY IS NOT SWITCHED ON: {why}")
        return why

    def _not_let_go(self) -> str:
        """On the way out: what could not be let go of keeps what is off from going on."""
        if not self._out_of_idle:
            return ""
        devices = [self._rig.devices[self._rig.points[name].device] for name in self._out_of_idle]
        dark = "; its device is dark: bring the supply on by hand once nothing can hurt anybody"
        how = dark if any(device.powered_by_supply for device in devices) else ""
        return (
            f"{', '.join(self._out_of_idle)} could not be let go of: do it at the rig, then `restart-bench park`{how}"
        )

    def on_not_before_ns(self) -> int:
        """The instant before which the supply may not go on; 0 for at once."""
        return 0 if self._limits is None else self._limits.on_not_before_ns(self.state.off_since_ns)

    def cut_not_before_ns(self) -> int:
        """The instant before which the supply may not be cut; 0 for at once."""
        return 0 if self._limits is None else self._limits.cut_not_before_ns(self.state.on_since_ns)

    # ------------------------------------------------------------ way out

    def all_to_idle(self, say: Callable[[str], None], *, at_once: bool = False) -> tuple[str, ...]:
        """Every pressed or held point back to idle, read back; returns those that could not be shown to be there.

        All of them together have some seconds, or next to no time (`at_once`); each is tried once at least.
        """
        deadline = now_ns() + (0 if at_once else _IDLE_PATIENCE_NS)
        self._take_back(deadline)
        failed = [name for name in tuple(self._out_of_idle) if not self._idle_surely(name, deadline, say)]
        for name in failed:
            say(
                f"{name.upper()} MAY STILL BE OUT OF IDLE: go to the rig and see that "
                f"{self._rig.points[name].shown} is {value_word(self._out_of_idle.get(name, False))}"
            )
        return tuple(failed)

    def _take_back(self, deadline: int) -> None:
        """What was let go of and reads otherwise now, or never read so, counts as out of idle once more."""
        for name, out in self.still_out().items():
            if out or name not in self._shown_idle:
                written = self._let_go[name]
                if out or not self._reads_back(name, written.value, written.received_ns, deadline):
                    self._out_of_idle[name] = written.value

    def _idle_surely(self, name: str, deadline: int, say: Callable[[str], None]) -> bool:
        """The point back to idle, if need be through another observer."""
        while True:
            if self._one_to_idle(name, deadline, say):
                return True
            if not self._observer.failed or not self._renewed():
                return False

    def _renewed(self) -> bool:
        fresh = self.renew() if self.renew is not None else None
        if fresh is not None:
            self._observer = fresh
        return fresh is not None

    def _one_to_idle(self, name: str, deadline: int, say: Callable[[str], None]) -> bool:
        point, idle = self._rig.points[name], self._out_of_idle[name]
        if point.by_hand is not None:
            if let_go := self._let_go_by_hand(point, idle, deadline, say):
                self._out_of_idle.pop(name, None)
            return let_go
        while not self._observer.failed:
            if self._wrote_idle(name, idle, deadline):
                self._out_of_idle.pop(name, None)
                return True
            if now_ns() >= deadline:
                return False
            time.sleep(_IDLE_PAUSE_S)
        return False

    def _let_go_by_hand(self, point: Point, idle: Value, deadline: int, say: Callable[[str], None]) -> bool:
        """A person holds it and is told to let go. The point's own input shows it; where that is dark with the supply
        (and there is time to ask), the person's word does."""
        asked = now_ns()
        newest = self._observer.latest(point.name)
        if newest is not None and asked - newest.received_ns < _CONTACT_WITHIN_NS and newest.value == idle:
            return True
        say(f"LET GO OF: {point.by_hand}")
        if self._rig.devices[point.device].powered_by_supply and self.state.commanded != "on":
            return deadline > asked and self._said_let_go(point)
        return self._read_until(deadline, point.name, lambda read: True if read.value == idle else None)

    def _said_let_go(self, point: Point) -> bool:
        question, asked, yes = f"{_let_go(point)}. Done?", now_ns(), False
        with suppress(CommandRefused, KeyboardInterrupt):
            yes = self._ask is not None and self._answer_to(question, self._ask)
            self._publish(Answered(self.cycle, question, yes, asked, now_ns(), point.name))
        return yes

    def _wrote_idle(self, name: str, idle: Value, deadline: int) -> bool:
        try:
            written = self.write(name, idle, "idle", patient=False)
        except CommandRefused:
            return False
        if not self._reads_back(name, idle, written.received_ns, deadline):
            return False
        self._now_let_go(written)
        return True

    def _reads_back(self, name: str, value: Value, since_ns: int, deadline: int) -> bool:
        until = min(now_ns() + _READ_BACK_WITHIN_NS, max(deadline, now_ns() + _CONTACT_WITHIN_NS // 2))
        point = self._rig.points[name]

        def fresh_and_same(read: Reading) -> bool | None:
            if read.sent_ns < since_ns or read.value is None:
                return None
            return _same(point, read.value, value)

        return self._read_until(until, name, fresh_and_same)


def _let_go(point: Point) -> str:
    """What a person who holds a point is asked to do."""
    return f"Let go of: {point.by_hand}"


def _same(point: Point, read: Value, written: Value) -> bool:
    """True where a point reads what was written, as finely as its register holds it."""
    if point.is_boolean or isinstance(written, bool):
        return read == written
    return abs(float(read) - float(written)) <= max(abs(point.scale) / 2, 1e-6 * abs(float(written)))


def _asks_person(rig: Rig) -> bool:
    """True where the supply is switched by a person, who can be interrupted while asked."""
    from restart_bench_drivers.registry import cards

    card = cards().get(rig.supply.driver) if rig.supply is not None else None
    return card is not None and card.needs_person


def reach_supply(
    supply: RigSupply | None, ask: AskPerson | None, stop: StopRequest, stack: ExitStack
) -> tuple[Supply | None, str]:
    """The supply, let go of with `stack`, or why it can't be reached: the points are put to rest all the same. A
    question of its driver can be broken off by `stop`."""
    if supply is None:
        return None, ""
    from restart_bench_drivers.registry import open_supply

    breakable = partial(stop.asks, ask) if ask is not None else None
    try:
        reached = open_supply(supply.driver, supply.settings, contact=supply.contact, ask=breakable)
    except SupplyError as problem:
        return None, str(problem) or type(problem).__name__
    except Exception as problem:  # a driver is anybody's
        return None, f"the supply's driver failed: {type(problem).__name__}: {problem}"
    stack.callback(_let_go_of, reached)
    return reached, ""


def _let_go_of(supply: Supply) -> None:
    """Closes a supply that is left as it is: a driver that fails at its very end changes nothing of that."""
    with suppress(Exception):
        supply.close()


def idle_values(rig: Rig) -> dict[str, Value]:
    """Every command point that the bench itself works, with the value that it has at rest."""
    return {p.name: p.idle for p in rig.points.values() if p.writable and p.idle is not None and p.by_hand is None}


def _seen(on: bool | None) -> str:
    return "unknown" if on is None else "on" if on else "off"
