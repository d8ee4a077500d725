"""The interpreter against IEC 61131-3 and against the README's "How a scan goes".

Sources, named again beside each check: IEC 61131-3 second edition (2003) 2.4.2 (start-up values), its tables of
coils, bistables, edge detection, counters and timers; "common practice, no source" where only practice says so.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders import MS, both, dryer_program, either, name, negated
from restart_bench.program import (
    Bistable,
    Coil,
    Counter,
    Edge,
    Expr,
    Input,
    Memory,
    Program,
    Reset,
    Rung,
    Set,
    Timer,
)
from restart_bench.scan import Interpreter, State, driven

ON: Expr = ("const", True)
OFF: Expr = ("const", False)
IN = name("a")
SCAN = 10 * MS


def program(*rungs: Rung, inputs: tuple[str, ...] = ("a", "b"), **changes: Any) -> Program:
    """A program with inputs a and b at rest off."""
    whole = Program("test", scan_ns=SCAN, inputs=tuple(Input(one, "command", False) for one in inputs), rungs=rungs)
    return dataclasses.replace(whole, **changes)


def retained(*names: str, initial: Any = False) -> dict[str, Memory]:
    """These names are retained."""
    return {one: Memory(one, retained=True, initial=initial) for one in names}


def outputs_over(machine: Interpreter, output: str, a: list[int], elapsed_ns: int = SCAN) -> list[int]:
    """The value of a name after each scan, for one value of input a in each."""
    state, seen = machine.first_power_up(), []
    for value in a:
        state = machine.scan(state, {"a": bool(value)}, elapsed_ns)
        seen.append(int(bool(machine.value(state, output))))
    return seen


def after(machine: Interpreter, *scans: dict[str, bool], elapsed_ns: int = SCAN) -> State:
    """The state after these scans from the first power-up."""
    state = machine.first_power_up()
    for inputs in scans:
        state = machine.scan(state, inputs, elapsed_ns)
    return state


# ---------------------------------------------------------------- restart: IEC 61131-3, 2.4.2


@pytest.mark.parametrize(
    ("is_retained", "cold", "expected"),
    [(True, False, 7), (True, True, 3), (False, False, 3), (False, True, 3)],
)
def test_retained_memory_keeps_its_value_at_a_warm_restart_and_everything_else_takes_its_initial_value(
    is_retained: bool, cold: bool, expected: int
) -> None:
    """Truth table of IEC 61131-3 2.4.2: (retained, warm) last value; the three others initial value."""
    machine = Interpreter(program(memory={"level": Memory("level", retained=is_retained, initial=3)}))
    state = machine.write(machine.first_power_up(), "level", 7)

    restarted = machine.restart(state, cold=cold)

    assert expected == machine.value(restarted, "level")


def test_memory_without_an_initial_value_starts_off() -> None:
    """Default of BOOL is 0 (IEC 61131-3, from memory)."""
    machine = Interpreter(program(Set("lamp", OFF)))

    assert machine.value(machine.first_power_up(), "lamp") is False


def test_memory_saved_at_scan_end_forgets_what_the_interrupted_scan_did() -> None:
    """`saved: at scan end`: a loss within the scan leaves the saved value of the scan before."""
    machine = Interpreter(program(Set("lamp", IN), memory=retained("lamp"), saved="at scan end"))
    state = after(machine, {})

    interrupted = machine.scan(state, {"a": True}, SCAN, stop_after=1)

    assert machine.value(machine.restart(interrupted), "lamp") is False
    whole = machine.scan(state, {"a": True}, SCAN)
    assert machine.value(machine.restart(whole), "lamp") is True


def test_memory_saved_at_once_keeps_what_the_interrupted_scan_did() -> None:
    """`saved: at once`: a rung that was done is done for good."""
    machine = Interpreter(program(Set("lamp", IN), Reset("other", IN), memory=retained("lamp"), saved="at once"))
    interrupted = machine.scan(after(machine, {}), {"a": True}, SCAN, stop_after=1)

    assert machine.value(machine.restart(interrupted), "lamp") is True


# ---------------------------------------------------------------- coils: IEC 61131-3, table of coils


@given(a=st.booleans(), b=st.booleans(), before=st.booleans())
def test_a_plain_coil_copies_and_set_and_reset_leave_alone(a: bool, b: bool, before: bool) -> None:
    """( ) copies the link at each evaluation; (S) and (R) act while the link is on, otherwise leave it (table of
    coils)."""
    machine = Interpreter(program(Coil("copy", IN), Set("latch", IN), Reset("latch", name("b"))))
    state = machine.write(machine.write(machine.first_power_up(), "copy", before), "latch", before)

    state = machine.scan(state, {"a": a, "b": b}, SCAN)

    assert machine.value(state, "copy") is a
    assert machine.value(state, "latch") is ((before or a) and not b)


def test_each_write_is_seen_by_the_next_rung_and_not_by_the_one_before() -> None:
    """Rungs run in file order ("How a scan goes", point 1)."""
    machine = Interpreter(program(Coil("late", name("relay")), Coil("relay", IN), Coil("early", name("relay"))))
    state = after(machine, {"a": True})

    assert (machine.value(state, "late"), machine.value(state, "early")) == (False, True)


# ---------------------------------------------------------------- bistables: IEC 61131-3, table of bistables

SR_TABLE = {"000": 0, "001": 1, "010": 0, "011": 0, "100": 1, "101": 1, "110": 1, "111": 1}
RS_TABLE = {"000": 0, "001": 1, "010": 0, "011": 0, "100": 1, "101": 1, "110": 0, "111": 0}


@pytest.mark.parametrize(("kind", "table"), [("SR", SR_TABLE), ("RS", RS_TABLE)])
def test_a_bistable_follows_its_truth_table(kind: Any, table: dict[str, int]) -> None:
    """Columns set, reset, Q before; SR: Q1 = S1 OR (NOT R AND Q1), RS: Q1 = NOT R1 AND (S OR Q1)."""
    machine = Interpreter(program(Bistable("q", kind, IN, name("b"))))

    seen = {}
    for row in table:
        set_, reset, before = (bit == "1" for bit in row)
        state = machine.write(machine.first_power_up(), "q", before)
        seen[row] = int(machine.value(machine.scan(state, {"a": set_, "b": reset}, SCAN), "q"))

    assert table == seen


@given(rows=st.lists(st.tuples(st.booleans(), st.booleans()), max_size=20), kind=st.sampled_from(["SR", "RS"]))
def test_a_bistable_follows_its_equation_over_any_history(rows: list[tuple[bool, bool]], kind: Any) -> None:
    """The equations of the two bistables, over sequences."""
    machine = Interpreter(program(Bistable("q", kind, IN, name("b"))))
    state, expected = machine.first_power_up(), False
    for set_, reset in rows:
        state = machine.scan(state, {"a": set_, "b": reset}, SCAN)
        expected = (set_ or (not reset and expected)) if kind == "SR" else (not reset and (set_ or expected))
        assert machine.value(state, "q") is expected


# ---------------------------------------------------------------- edges: IEC 61131-3, table of edge detection


def test_a_rising_edge_fires_on_the_first_scan_if_its_condition_is_already_true() -> None:
    """R_TRIG: Q = CLK AND NOT M, M := CLK, M starts false: inputs 1101 give 1001 (standard's equations, from
    memory; sequence by arithmetic)."""
    machine = Interpreter(program(Edge("q", "rising", IN)))

    assert outputs_over(machine, "q", [1, 1, 0, 1]) == [1, 0, 0, 1]


def test_a_falling_edge_fires_on_the_first_scan_if_its_condition_is_false() -> None:
    """F_TRIG: Q = NOT CLK AND NOT M, M := NOT CLK, M starts false: inputs 0010 give 1001."""
    machine = Interpreter(program(Edge("q", "falling", IN)))

    assert outputs_over(machine, "q", [0, 0, 1, 0]) == [1, 0, 0, 1]


@pytest.mark.parametrize(("is_retained", "fires"), [(False, True), (True, False)])
def test_a_button_held_through_the_loss_makes_an_edge_again_unless_edge_memory_is_retained(
    is_retained: bool, fires: bool
) -> None:
    """Edge memory is retained with its instance or not at all ("How a scan goes", point 5)."""
    memory = {"q": Memory("q", retained=is_retained)}
    machine = Interpreter(program(Edge("q", "rising", IN), memory=memory))
    held = after(machine, {"a": True}, {"a": True})

    again = machine.scan(machine.restart(held), {"a": True}, SCAN)

    assert machine.value(again, "q") is fires


# ---------------------------------------------------------------- timers: IEC 61131-3, table of timers


def test_an_on_delay_comes_on_after_its_preset_and_goes_with_its_input() -> None:
    """TON, preset three scans: elapsed time is 0 in the scan in which the input rises."""
    machine = Interpreter(program(Timer("t", "TON", 3 * SCAN, IN)))

    assert outputs_over(machine, "t", [0, 1, 1, 1, 1, 1, 0, 1, 1, 0]) == [0, 0, 0, 0, 1, 1, 0, 0, 0, 0]


def test_an_off_delay_goes_off_after_its_preset_and_an_input_that_returns_keeps_it_on() -> None:
    """TOF, preset two scans (timing diagram of the standard; from memory, one page agrees)."""
    machine = Interpreter(program(Timer("t", "TOF", 2 * SCAN, IN)))

    assert outputs_over(machine, "t", [0, 1, 0, 0, 1, 0, 0, 0, 0]) == [0, 1, 1, 1, 1, 1, 1, 0, 0]


def test_a_pulse_has_its_length_whatever_the_input_does_and_is_not_triggered_again() -> None:
    """TP, preset three scans: one long input, then a short one that rises again within the pulse (timing diagram of
    the standard; from memory, one page agrees)."""
    machine = Interpreter(program(Timer("t", "TP", 3 * SCAN, IN)))

    assert outputs_over(machine, "t", [1, 1, 1, 1, 1, 1, 0, 1, 0, 1, 0, 0]) == [1, 1, 1, 0, 0, 0, 0, 1, 1, 1, 0, 0]


@pytest.mark.parametrize(
    ("kind", "elapsed"),
    [("TON", [0, 0, 1, 2, 2, 0, 0, 0]), ("TOF", [0, 0, 0, 0, 0, 0, 1, 2]), ("TP", [0, 0, 1, 2, 2, 0, 0, 0])],
)
def test_a_timer_shows_its_elapsed_time_up_to_its_preset_and_0_once_it_is_over(kind: Any, elapsed: list[int]) -> None:
    """ET of the three timing diagrams, in scans; preset two scans, input true in the second to the fifth scan."""
    machine = Interpreter(program(Timer("t", kind, 2 * SCAN, IN)))
    state, seen = machine.first_power_up(), []
    for a in [0, 1, 1, 1, 1, 0, 0, 0]:
        state = machine.scan(state, {"a": bool(a)}, SCAN)
        seen.append(machine.number(state, "t") // SCAN)

    assert seen == elapsed


def test_an_off_delay_counts_anew_each_time_its_input_falls() -> None:
    """TOF: IN true gives ET 0 (standard's timing diagram)."""
    machine = Interpreter(program(Timer("t", "TOF", 5 * SCAN, IN)))
    state = after(machine, *({"a": bool(a)} for a in [1, 0, 0, 0, 1]))

    assert machine.number(state, "t") == 0


@given(
    inputs=st.lists(st.booleans(), min_size=1, max_size=40),
    elapsed=st.integers(1, 30),
    preset=st.integers(0, 100),
)
def test_an_on_delay_is_on_exactly_when_its_input_has_been_true_for_the_preset(
    inputs: list[bool], elapsed: int, preset: int
) -> None:
    """TON as a formula: scans since the last rise, times the scan time, reach the preset; the elapsed time never
    exceeds it."""
    machine = Interpreter(program(Timer("t", "TON", preset, IN)))
    state, since = machine.first_power_up(), 0
    for now in inputs:
        state = machine.scan(state, {"a": now}, elapsed)
        since = since + 1 if now else 0
        assert machine.value(state, "t") is (since > 0 and (since - 1) * elapsed >= preset)
        assert 0 <= machine.number(state, "t") <= preset


@given(inputs=st.lists(st.booleans(), min_size=1, max_size=40), scans=st.integers(1, 5))
def test_an_off_delay_is_an_on_delay_of_the_opposite(inputs: list[bool], scans: int) -> None:
    """Once its input has been true, TOF of X is NOT TON of NOT X (both timing diagrams)."""
    machine = Interpreter(program(Timer("off", "TOF", scans * SCAN, IN), Timer("on", "TON", scans * SCAN, negated(IN))))
    state = after(machine, {"a": True})
    for now in inputs:
        state = machine.scan(state, {"a": now}, SCAN)
        assert machine.value(state, "off") is not machine.value(state, "on")


def test_an_on_delay_that_is_not_retained_begins_again_when_the_program_starts() -> None:
    """Derived from 2.4.2 and the timer's table: its output returns a preset after the program started, not after the
    power returned."""
    machine = Interpreter(program(Timer("t", "TON", 2 * SCAN, IN)))
    state = machine.restart(after(machine, *[{"a": True}] * 9))

    seen = []
    for _ in range(4):
        state = machine.scan(state, {"a": True}, SCAN)
        seen.append(machine.value(state, "t"))

    assert seen == [False, False, True, True]


def test_a_retained_timer_goes_on_where_it_stood_and_does_not_count_the_time_without_power() -> None:
    """A timer's elapsed time stands still without power ("How a scan goes", point 5)."""
    machine = Interpreter(program(Timer("t", "TON", 9 * SCAN, IN), memory=retained("t")))
    state = after(machine, *[{"a": True}] * 4)

    first = machine.scan(machine.restart(state), {"a": True}, elapsed_ns=3_600_000 * MS)

    assert machine.number(first, "t") == machine.number(state, "t") == 3 * SCAN
    assert machine.number(machine.scan(first, {"a": True}, SCAN), "t") == 4 * SCAN


# ---------------------------------------------------------------- counters: IEC 61131-3, table of counters


def test_an_up_counter_counts_rises_and_its_clear_wins() -> None:
    """CTU: R clears, else one more at each rise of CU; Q = (CV >= PV)."""
    machine = Interpreter(program(Counter("n", "CTU", 2, IN, name("b"))))
    state, seen = machine.first_power_up(), []
    for a, b in [(1, 0), (1, 0), (0, 0), (1, 0), (0, 0), (1, 1), (0, 0), (1, 0)]:
        state = machine.scan(state, {"a": bool(a), "b": bool(b)}, SCAN)
        seen.append((machine.number(state, "n"), machine.value(state, "n")))

    assert seen == [
        (1, False), (1, False), (1, False), (2, True), (2, True), (0, False), (0, False), (1, False),
    ]  # fmt: skip


def test_a_down_counter_counts_from_what_was_loaded_and_is_on_at_zero() -> None:
    """CTD: LD loads PV, else one less at each rise of CD; Q = (CV <= 0)."""
    machine = Interpreter(program(Counter("n", "CTD", 2, IN, name("b"))))
    state, seen = machine.first_power_up(), []
    for a, b in [(0, 0), (0, 1), (1, 0), (0, 0), (1, 0), (0, 0), (1, 0)]:
        state = machine.scan(state, {"a": bool(a), "b": bool(b)}, SCAN)
        seen.append((machine.number(state, "n"), machine.value(state, "n")))

    assert seen == [(0, True), (2, False), (1, False), (1, False), (0, True), (0, True), (-1, True)]


@pytest.mark.parametrize(("kind", "limit"), [("CTU", 32767), ("CTD", -32768)])
def test_a_counter_stops_at_the_limit_of_an_int(kind: Any, limit: int) -> None:
    """CV is an INT: it stays at PVmax or PVmin (standard's table; limits from memory)."""
    machine = Interpreter(program(Counter("n", kind, 5, IN)))
    state = machine.write(after(machine, {}), "n", limit)

    assert machine.number(machine.scan(state, {"a": True}, SCAN), "n") == limit


@pytest.mark.parametrize(("is_retained", "expected"), [(True, 3), (False, 1)])
def test_a_counter_keeps_its_count_and_its_edge_together(is_retained: bool, expected: int) -> None:
    """A count input held through the loss: retained, it is no new rise; not retained, the count begins at 0 and the
    rise counts."""
    machine = Interpreter(program(Counter("n", "CTU", 9, IN), memory={"n": Memory("n", is_retained, 0)}))
    on, off = {"a": True}, {"a": False}
    state = machine.restart(after(machine, on, off, on, off, on))

    assert machine.number(machine.scan(state, on, SCAN), "n") == expected


def test_a_counter_compared_is_its_count_and_its_bare_name_is_its_output() -> None:
    """Conditions as the README's program model has them."""
    rungs = (
        Counter("n", "CTU", 3, IN),
        Coil("two", ("=", name("n"), ("const", 2))),
        Coil("full", name("n")),
        Coil("more", (">", name("n"), ("const", 2))),
    )
    machine = Interpreter(program(*rungs))
    state = after(machine, *[{"a": True}, {"a": False}] * 2)
    assert [machine.value(state, one) for one in ("two", "full", "more")] == [True, False, False]

    state = machine.scan(state, {"a": True}, SCAN)
    assert [machine.value(state, one) for one in ("two", "full", "more")] == [False, True, True]


# ---------------------------------------------------------------- conditions

NAMES = ("a", "b", "c")
CONDITIONS = st.recursive(
    st.sampled_from([ON, OFF, *(name(one) for one in NAMES)]),
    lambda inner: st.one_of(
        st.tuples(st.just("not"), inner), st.tuples(st.sampled_from(["and", "or", "xor"]), inner, inner)
    ),
    max_leaves=12,
)


def as_python(condition: Expr) -> str:
    """The condition as Python writes it."""
    word, *parts = condition
    if word in ("const", "name"):
        return str(parts[0])
    if word == "not":
        return f"(not {as_python(parts[0])})"
    sign = {"and": "and", "or": "or", "xor": "!="}[word]
    return f"({as_python(parts[0])} {sign} {as_python(parts[1])})"


@given(condition=CONDITIONS, values=st.tuples(st.booleans(), st.booleans(), st.booleans()))
def test_a_condition_means_what_its_operators_say(condition: Expr, values: tuple[bool, ...]) -> None:
    """Checked against Python's own evaluation of the same expression."""
    machine = Interpreter(program(Coil("q", condition), inputs=NAMES))
    inputs = dict(zip(NAMES, values, strict=True))

    state = machine.scan(machine.first_power_up(), inputs, SCAN)

    assert machine.value(state, "q") is eval(as_python(condition), {}, inputs)


@given(left=st.integers(-9, 9), right=st.integers(-9, 9), sign=st.sampled_from(["=", "<>", "<", "<=", ">", ">="]))
def test_a_comparison_compares(left: int, right: int, sign: str) -> None:
    """Checked against Python's operators."""
    machine = Interpreter(
        program(Coil("q", (sign, name("x"), ("const", right))), memory={"x": Memory("x", False, left)})
    )
    python_sign = {"=": "==", "<>": "!="}.get(sign, sign)

    state = machine.scan(machine.first_power_up(), {}, SCAN)

    assert machine.value(state, "q") is eval(f"{left} {python_sign} {right}")


def test_an_input_that_the_program_does_not_have_is_refused() -> None:
    """A misspelt input would otherwise silently stay at rest."""
    machine = Interpreter(program(Coil("q", IN)))

    with pytest.raises(KeyError, match="strat_button is not an input"):
        machine.scan(machine.first_power_up(), {"strat_button": True}, SCAN)


# ---------------------------------------------------------------- outputs and first scan


def test_outputs_are_off_until_the_first_scan_has_ended() -> None:
    """ "How a scan goes", points 1 and 3: memory is back, the terminal is not."""
    machine = Interpreter(program(Set("fan", OFF), memory=retained("fan", initial=False)))
    state = machine.restart(machine.write(machine.first_power_up(), "fan", True))

    assert (machine.value(state, "fan"), machine.output(state, "fan")) == (True, False)
    assert machine.output(machine.scan(state, {}, SCAN), "fan") is True


def test_an_interrupted_scan_writes_no_outputs_at_scan_end_and_writes_them_at_once_otherwise() -> None:
    """A supply loss falls between rungs ("How a scan goes", point 2)."""
    seen = {}
    for outputs in ("at scan end", "at once"):
        machine = Interpreter(program(Coil("lamp", IN), Coil("other", IN), outputs=outputs))
        state = machine.scan(after(machine, {}), {"a": True}, SCAN, stop_after=1)
        seen[outputs] = (machine.output(state, "lamp"), machine.output(state, "other"))

    assert seen == {"at scan end": (False, False), "at once": (True, False)}


def test_outputs_written_at_once_show_a_retained_one_before_its_reset_rung_is_reached() -> None:
    """What a controller whose output memory is the terminal does: a pulse shorter than a scan."""
    machine = Interpreter(dryer_program(outputs="at once", start_pass="none"))
    state = machine.restart(machine.write(machine.first_power_up(), "burner", True))

    after_one_rung = machine.scan(state, {"stop_button": True}, SCAN, stop_after=1)
    after_all = machine.scan(state, {"stop_button": True}, SCAN)

    assert (machine.output(after_one_rung, "burner"), machine.output(after_all, "burner")) == (True, False)


def test_first_scan_lasts_until_one_scan_has_been_completed_and_a_loss_within_it_makes_it_true_again() -> None:
    """True until one scan has been completed ("How a scan goes", point 4)."""
    machine = Interpreter(program(Coil("seen", name("first_scan")), Coil("other", IN)))
    state = machine.first_power_up()

    interrupted = machine.restart(machine.scan(state, {}, SCAN, stop_after=1))
    first = machine.scan(interrupted, {}, SCAN)
    second = machine.scan(first, {}, SCAN)

    assert [machine.value(one, "seen") for one in (first, second)] == [True, False]


# ---------------------------------------------------------------- common practice, no source


def dryer_after_loss(**changes: Any) -> tuple[Interpreter, State]:
    """The grain dryer, started, running, and after its first scan since the power came back."""
    machine = Interpreter(dryer_program(**changes))
    run = {"stop_button": True}
    state = after(machine, run, {**run, "start_button": True}, run)
    assert all(machine.output(state, one) for one in ("auger", "burner", "fan"))
    return machine, machine.scan(machine.restart(state), run, SCAN)


def test_an_output_held_by_its_own_contact_through_a_plain_coil_is_off_after_power_returns() -> None:
    """Common practice, no source; follows from 2.4.2 for memory that is not retained."""
    machine, state = dryer_after_loss(start_pass="none")

    assert machine.output(state, "auger") is False


def test_an_output_driven_by_set_and_reset_and_retained_comes_back() -> None:
    """Common practice, no source; follows from 2.4.2 and the table of coils."""
    machine, state = dryer_after_loss()

    assert machine.output(state, "fan") is True


def test_with_first_scan_in_parallel_to_the_reset_condition_it_stays_off() -> None:
    """Common practice, no source."""
    machine, state = dryer_after_loss()
    assert machine.output(state, "burner") is False

    machine, state = dryer_after_loss(edited=True)
    assert machine.output(state, "burner") is True


def test_a_start_pass_writes_false_through_plain_coils_and_leaves_set_and_reset_targets_alone() -> None:
    """Common practice, no source: storage of both is retained alike; what differs is how it is written."""
    memory = retained("auger", "fan")
    for start_pass, auger in (("clears coils", False), ("none", True)):
        machine = Interpreter(dryer_program(memory=memory, start_pass=start_pass))
        run = {"stop_button": True}
        state = machine.restart(after(machine, run, {**run, "start_button": True}, run))

        assert (machine.value(state, "auger"), machine.value(state, "fan")) == (auger, True)
        state = machine.scan(state, run, SCAN)
        assert (machine.output(state, "auger"), machine.output(state, "fan")) == (auger, True)


def test_leaving_run_mode_drops_every_output_and_returning_brings_back_only_the_one_that_is_set() -> None:
    """Common practice, no source: the start pass also runs when run mode is left; memory and instance data stay."""
    machine = Interpreter(dryer_program(edited=True))
    run = {"stop_button": True}
    state = after(machine, run, {**run, "start_button": True}, run)

    left = machine.leave_run(state)
    back = machine.scan(machine.enter_run(left), run, SCAN)

    assert not any(machine.outputs(left).values())
    assert [machine.output(back, one) for one in ("auger", "burner", "fan")] == [False, True, True]


def test_first_scan_is_true_again_after_a_return_to_run_mode_and_timers_have_stood_still() -> None:
    """The start pass and what it leaves alone ("How a scan goes", point 3)."""
    machine = Interpreter(program(Timer("t", "TON", 9 * SCAN, IN), Coil("seen", name("first_scan"))))
    state = after(machine, *[{"a": True}] * 4)

    back = machine.scan(machine.enter_run(machine.leave_run(state)), {"a": True}, elapsed_ns=3_600_000 * MS)

    assert machine.value(back, "seen") is True
    assert machine.number(back, "t") == 3 * SCAN


# ---------------------------------------------------------------- properties over whole programs

TARGETS = ("p", "q", "r")
READ = st.recursive(
    st.sampled_from([name(one) for one in ("a", "b", *TARGETS, "first_scan")]),
    lambda inner: st.one_of(st.builds(negated, inner), st.builds(both, inner, inner), st.builds(either, inner, inner)),
    max_leaves=4,
)


@st.composite
def programs(draw: st.DrawFn) -> Program:
    """Programs of up to seven rungs with retained and unretained coils, latches and blocks."""
    rungs: list[Rung] = []
    for number in range(draw(st.integers(1, 7))):
        when = draw(READ)
        kind = draw(st.sampled_from(["coil", "set", "reset", "timer", "counter", "edge", "bistable"]))
        target = draw(st.sampled_from(TARGETS))
        block = f"block{number}"
        made: dict[str, Rung] = {
            "coil": Coil(f"coil{number}", when),
            "set": Set(target, when),
            "reset": Reset(target, when),
            "timer": Timer(block, draw(st.sampled_from(["TON", "TOF", "TP"])), draw(st.integers(0, 3)) * SCAN, when),
            "counter": Counter(block, draw(st.sampled_from(["CTU", "CTD"])), 2, when, draw(READ)),
            "edge": Edge(block, draw(st.sampled_from(["rising", "falling"])), when),
            "bistable": Bistable(block, draw(st.sampled_from(["SR", "RS"])), when, draw(READ)),
        }
        rungs.append(made[kind])
    names = [*TARGETS, *(f"block{n}" for n in range(7)), *(f"coil{n}" for n in range(7))]
    kept = draw(st.sets(st.sampled_from(names)))
    return program(
        *rungs,
        memory=retained(*sorted(kept), initial=0),
        start_pass=draw(st.sampled_from(["clears coils", "none"])),
        outputs=draw(st.sampled_from(["at scan end", "at once"])),
        saved=draw(st.sampled_from(["at scan end", "at once"])),
    )


INPUTS = st.fixed_dictionaries({"a": st.booleans(), "b": st.booleans()})
HISTORY = st.lists(INPUTS, max_size=6)


@given(whole=programs(), history=HISTORY, last=INPUTS)
def test_a_scan_interrupted_between_any_two_rungs_leaves_each_rung_whole_or_not_done(
    whole: Program, history: list[dict[str, bool]], last: dict[str, bool]
) -> None:
    """After a loss behind rung k and a warm restart, what one rung alone drives is what the finished scan made of it
    if that rung was done and saved, else what the scan before left."""
    machine = Interpreter(dataclasses.replace(whole, start_pass="none"))
    before = after(machine, *history)
    not_done, finished = machine.restart(before), machine.restart(machine.scan(before, last, SCAN))
    alone = [(place, driven(rung)) for place, rung in enumerate(whole.rungs) if not isinstance(rung, Set | Reset)]
    for stop_after in range(len(whole.rungs) + 1):
        restarted = machine.restart(machine.scan(before, last, SCAN, stop_after=stop_after))
        for place, one in alone:
            expected = finished if place < stop_after and whole.saved == "at once" else not_done
            assert machine.value(restarted, one) == machine.value(expected, one)
            assert machine.number(restarted, one) == machine.number(expected, one)


@given(whole=programs(), history=HISTORY)
def test_a_restart_forgets_everything_that_is_not_retained(whole: Program, history: list[dict[str, bool]]) -> None:
    """Two histories that left the same retained memory restart alike; a cold restart forgets all history."""
    machine = Interpreter(whole)
    state = after(machine, *history)

    assert machine.restart(state, cold=True) == machine.restart(machine.first_power_up(), cold=True)
    assert machine.restart(dataclasses.replace(state, values=machine.first_power_up().values)) == machine.restart(state)
    assert not any(machine.outputs(machine.restart(state)).values())


@given(whole=programs(), history=HISTORY)
def test_the_same_inputs_always_give_the_same_state_and_states_can_be_kept_in_sets(
    whole: Program, history: list[dict[str, bool]]
) -> None:
    """A predictor explores states: they are plain values."""
    machine, twin = Interpreter(whole), Interpreter(whole)

    assert len({after(machine, *history), after(twin, *history)}) == 1


@given(whole=programs(), history=HISTORY, last=INPUTS)
def test_a_scan_stopped_after_its_last_rung_differs_from_a_whole_one_only_in_what_happens_at_scan_end(
    whole: Program, history: list[dict[str, bool]], last: dict[str, bool]
) -> None:
    """Memory is the same; outputs, saves and the end of the first scan come with the scan's end."""
    machine = Interpreter(whole)
    state = after(machine, *history)

    stopped = machine.scan(state, last, SCAN, stop_after=len(whole.rungs))
    ended = machine.scan(state, last, SCAN)

    assert stopped.values == ended.values
    assert stopped.first_scan == state.first_scan
    assert ended.first_scan is False
