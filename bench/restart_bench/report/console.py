"""The results as people read them: restart matrix, what did not pass and why, limits of what was shown, the exit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from restart_bench.archive.files import SUMS, run_json_of
from restart_bench.judging.campaign.case_map import case_rows, number_words, outcome_words, verdict_words
from restart_bench.judging.campaign.coverage import (
    START_MEANS,
    Coverage,
    Played,
    coverage_of,
    cut_name,
    left_out_words,
    played_words,
    start_name,
    valid_words,
)
from restart_bench.judging.campaign.measured_times import (
    AFTER_A_RESTART,
    SURE_DRIFT,
    MeasuredTime,
    drift_text,
    limit_text,
    measured_times,
    time_text,
    tolerance_text,
)
from restart_bench.judging.campaign.ride_through import (
    SIGNS,
    SearchFound,
    found_text,
    off_text,
    search_found,
    strip,
)
from restart_bench.judging.inquiry.forecasts import program_score, scores
from restart_bench.judging.matrix import IMAGE_ONLY, IMAGE_ONLY_MEANS, WITHOUT_VERDICT, MatrixRow, matrix_rows
from restart_bench.judging.rehearsal import is_rehearsal
from restart_bench.judging.summary import (
    FindingRow,
    NotPassed,
    Said,
    all_without_echoes,
    finding_rows,
    limits_in_short,
    limits_of,
    not_passed,
)
from restart_bench.model.journal import CycleJudged, ScenarioJudged
from restart_bench.model.outcome import OneRun, RunOutcome
from restart_bench.model.rig import Rig
from restart_bench.model.scenario import Scenario
from restart_bench.model.verdicts import (
    EXIT_MEANS,
    EXIT_STOPPED,
    GLOSS,
    WORST_FIRST,
    Verdict,
    badness,
    console_style,
)
from restart_bench.model.wording import (
    FROM_MEMORY,
    NOTHING_SHOWN,
    alike,
    bounds_text,
    case_name,
    counted,
    cycles_text,
    listed,
    reached_word,
    rehearsed,
    step_word,
    without_controls,
)
from restart_bench.report.explaining import why_in, why_lines
from restart_bench.report.foretold import (
    ASKED_FIRST,
    CUT_OF,
    Foretold,
    forecasts_of,
    foretell,
    print_foretold,
    score_text,
    state_word,
)
from restart_bench.report.printing import not_complete_line, plain_table, print_bullets, print_heading
from restart_bench.report.record.text import shortened

_MOST_FINDINGS = 20
_WIDE = 120
_ROOMY = 100
_REASON = 30  # columns beside the others
_LONGEST_NAME = 40
_MOST_SCENARIOS = 8
_MOST_CASES = 40
_MOST_CUTS, _MOST_STARTS = 6, 16
_MOST_TIMES = 20


def print_outcome(outcome: RunOutcome, console: Console, *, explain: bool = False) -> None:
    """Everything of all runs, and the exit line last. explain: also why, of runs that were simulated."""
    for run in outcome.runs:
        if run.altered:
            console.print(Text(without_controls(run.altered), style="bold red"))
        if is_rehearsal(run.scenarios):
            _print_rehearsal(run, console)
        else:
            _print_run(run, console, explain=explain)
    console.print(_last_line(outcome))


def _last_line(outcome: RunOutcome) -> Text:
    code = outcome.exit_code
    if code == EXIT_STOPPED:
        return not_complete_line(code)
    line = Text("result: ")
    rehearsals = [run for run in outcome.runs if is_rehearsal(run.scenarios)]
    if rehearsals and len(rehearsals) == len(outcome.runs):
        how = rehearsed(one.verdict for run in rehearsals for one in run.scenarios)
        return line.append(f"rehearsal, exit code {code}: {how}; {NOTHING_SHOWN}")
    return line.append_text(_verdict(outcome.verdict)).append(f", exit code {code}: {EXIT_MEANS[code]}")


def _print_rehearsal(run: OneRun, console: Console) -> None:
    """Steps instead of findings: nothing was cut, so there is no verdict on the controller."""
    _print_head(run, console, "rehearsal")
    console.print(Text(f"{NOTHING_SHOWN}."))
    for scenario in run.scenarios:
        console.print()
        line = Text(f"{without_controls(scenario.scenario)}: ", style="bold")
        console.print(line.append(reached_word(scenario.verdict), style=console_style(scenario.verdict)))
        for cycle in (one for one in run.cycles if one.scenario == scenario.scenario):
            _print_steps(cycle, console)
    console.print()
    _print_record(run, console)


def _print_record(run: OneRun, console: Console) -> None:
    """Where the record lies; where none is (deleted, or never written), how it is made."""
    record = run.folder / "report.html"
    is_gone = not run.record and run.folder.is_dir() and not record.is_file()
    text = f"record: {run.record or record}"
    if console.is_terminal and Text(text).cell_len > console.width:  # whole on a line of its own
        text = f"record:\n{run.record or record}"
    if is_gone and run_json_of(run.folder).get("state") == "left open":
        text = (
            f"no record yet ({run.folder} is not closed: its rig was not left as it should be): `restart-bench park "
            f"{Path(run.rig.path).parent if run.rig.path else run.rig.name} --arm {run.rig.name}` closes it and writes "
            "its record"
        )
    elif is_gone:
        text = f"no record is there ({_why_no_record(run.folder)}): restart-bench report {run.folder}"
    console.print(Text(text), soft_wrap=True)


def _why_no_record(folder: Path) -> str:
    """What the archive knows of a record that is not in it."""
    try:
        sums = (folder / SUMS).read_bytes()
    except OSError:
        return "the run was not closed, or its archive is damaged"
    if problem := run_json_of(folder).get("report_problem"):
        return f"it could not be written: {without_controls(str(problem))}"
    if b"report.html" in sums:
        return "it was deleted or moved away since the run was closed"
    return "none was written as the run was closed"


def _print_steps(cycle: CycleJudged, console: Console) -> None:
    if cycle.case:
        console.print(Text(f"  {without_controls(cycle.case)}", style="bold"))
    for step in cycle.findings:
        line = Text(f"{step_word(step.verdict):<11}  ", style=console_style(step.verdict))
        line.append(without_controls(step.expectation), style="not bold default")
        console.print(Padding(line, (0, 0, 0, 2)))
        if step.verdict is not Verdict.PASS:
            console.print(Padding(Text(without_controls(step.reason)), (0, 0, 0, 15)))
    if not cycle.findings:
        console.print(Padding(Text(without_controls(cycle.reason)), (0, 0, 0, 2)))


def _print_run(run: OneRun, console: Console, *, explain: bool) -> None:
    """On a console what counts comes last, where it has not scrolled away, and all of that fits into the window; in a
    pipe it is read from its beginning."""
    found = foretell(run)
    whole = console.is_terminal and _lines_of(lambda: _print_last(run, console, whole=True), console) < console.height
    parts: list[Callable[[], None]] = [
        lambda: _print_scenarios(run, console, tables=not whole),
        lambda: _print_coverage(coverage_of(run.tested, run.counted), console),
    ]
    if found is not None:
        parts.append(lambda: print_foretold(found, console))
    if explain:
        parts.append(lambda: _print_why(run, console, found.otherwise if found is not None else ()))
    _print_head(run, console, "test")
    for part in reversed(parts) if console.is_terminal else parts:
        part()
    _print_forecasts(run, found, console)
    _print_limits(run, console)
    if console.is_terminal:
        _print_last(run, console, whole=whole)
        return
    _print_passed(run, console)
    _print_not_passed(run, console)
    _print_record(run, console)


def _lines_of(part: Callable[[], None], console: Console) -> int:
    """How many lines of the window something takes, and the result below it."""
    with console.capture() as captured:
        part()
    lines = [Text.from_ansi(line).cell_len for line in captured.get().splitlines()]
    return sum(max(1, -(-cells // console.width)) for cells in lines) + 1


def _print_last(run: OneRun, console: Console, *, whole: bool) -> None:
    """What stays in the window: each scenario's verdict and restart matrix (in short where all of them are too long),
    what did not pass, and where the record lies, which has the rest."""

    def below() -> None:
        _print_not_passed(run, console)
        if run.how != "completed":
            _print_reason(run, console)
        if run.supply_left and not run.simulated:
            console.print(Text(f"The supply was left {without_controls(run.supply_left)}.", style="bold"))
        _print_record(run, console)

    if whole:
        for scenario in run.scenarios:
            _print_head_of(scenario, console)
            _print_matrices(run, scenario, console)
        console.print()
    else:
        _print_in_short(run, console, console.height - 1 - _lines_of(below, console))
    below()


_LEAST_ROWS = 4
_BESIDE_ROWS = 5  # heading, heads of columns with their rule, what is left out, and a gap


def _print_in_short(run: OneRun, console: Console, room: int) -> None:
    """The restart matrix of all scenarios with a line for each output; where not all fit, the worst are shown."""
    rows = [
        (scenario.scenario, case, row) for scenario in run.scenarios for case, row in _matrix_of(run, scenario.scenario)
    ]
    if not rows:
        return
    most = max(_LEAST_ROWS, room - _BESIDE_ROWS)
    bad = [badness(row.verdict) if row.verdict is not None else len(Verdict) for _, _, row in rows]
    worst = sorted(range(len(rows)), key=bad.__getitem__)[:most]
    kept = [rows[place] for place in sorted(worst)]
    columns = ("scenario", "output", "before", "at return", "verdict")
    table = plain_table(*columns, unbroken=columns)
    short = console.width // 4
    beside: list[list[str | Text]] = [
        [
            shortened(without_controls(case_name(scenario, case)), short),
            _output(row),
            shortened(row.before, short),
            _word(row),
        ]
        for scenario, case, row in kept
    ]
    left_over = console.width - _columns_of([[*columns[:3], columns[4]], *beside]) - 2 * len(columns)
    last = ("", "")
    for (of, output, before, word), (scenario, case, row) in zip(beside, kept, strict=True):
        shown = "" if (scenario, case) == last else of
        table.add_row(shown, output, before, shortened(row.at_return, max(short, left_over)), word)
        last = (scenario, case)
    console.print()
    console.print(Text("Restart matrix", style="bold"))
    console.print(table)
    left = len(rows) - len(kept)
    console.print(Text(f"  and {counted(left, 'more row')}, above and in the record" if left else ""))


def _print_scenarios(run: OneRun, console: Console, *, tables: bool) -> None:
    for scenario in run.scenarios:
        if tables or scenario.verdict is not Verdict.PASS or scenario.cycles > 1:  # else its matrix tells all of it
            _print_scenario(run, scenario, console, tables=tables)


def _matrix_of(run: OneRun, scenario: str) -> Iterator[tuple[str, MatrixRow]]:
    """The rows of a scenario, each with its case."""
    cycles = [one for one in run.counted if one.scenario == scenario]
    for case in dict.fromkeys(one.case for one in cycles):
        for row in matrix_rows(run.rig, [one for one in cycles if one.case == case]):
            yield case, row


def _print_matrices(run: OneRun, scenario: ScenarioJudged, console: Console) -> None:
    """A table for each case, and below it what words in it mean that no reason stands beside."""
    told = list(_matrix_of(run, scenario.scenario))
    for case in dict.fromkeys(case for case, _ in told):
        rows = [row for of, row in told if of == case]
        console.print(matrix_table(rows, console.width, case))
        words = {IMAGE_ONLY: IMAGE_ONLY_MEANS} if any(row.image_only for row in rows) else {}
        words |= {} if _is_wide(rows, console.width) else {row.verdict_word: "" for row in rows if row.verdict is None}
        for word, meaning in words.items():
            text = f"{word}: {meaning or WITHOUT_VERDICT[word]}"
            console.print(Padding(Text(text, style="dim"), (0, 0, 0, 2)))


def _print_head(run: OneRun, console: Console, kind: str) -> None:
    console.print()
    head = Text(f"{kind} {run.id} on {without_controls(run.rig.name)}", style="bold")
    if run.how != "completed":
        head.append(f": {without_controls(run.how)}", style=console_style(Verdict.ERROR))
    console.print(head)
    _print_reason(run, console)


def _print_reason(run: OneRun, console: Console) -> None:
    """Why the run ended, where more is to be said than how."""
    if run.reason and run.reason != run.how:
        console.print(Text(without_controls(run.reason), style=console_style(Verdict.ERROR)))


def _print_head_of(scenario: ScenarioJudged, console: Console) -> None:
    line = Text(f"{without_controls(scenario.scenario)}: ", style="bold").append_text(_verdict(scenario.verdict))
    console.print()
    console.print(line.append(f"  {_counts(scenario)}"))


def _print_scenario(run: OneRun, scenario: ScenarioJudged, console: Console, *, tables: bool) -> None:
    cycles = [one for one in run.counted if one.scenario == scenario.scenario]
    _print_head_of(scenario, console)
    if scenario.reason and scenario.verdict is not Verdict.PASS:
        # each cycle's reason stands among the findings below
        console.print(Padding(Text(without_controls(scenario.in_short)), (0, 0, 0, 2)))
    asked = next((one for one in run.tested if one.name == scenario.scenario), None)
    if asked is not None:
        _print_cases(asked, run.counted, console)
        if (found := search_found(asked, run.counted)) is not None:
            _print_search(found, console)
    if tables:
        _print_matrices(run, scenario, console)
    if asked is not None:
        _print_times(measured_times(run.rig, asked, run.counted), console)
    _print_notable(run, scenario, cycles, console)


def _print_cases(asked: Scenario, cycles: Sequence[CycleJudged], console: Console) -> None:
    """The map of the cases, where there are several: what was cut, and what became of it."""
    rows = case_rows(asked, cycles)
    if len(rows) < 2:
        return
    with_outcome = asked.how == "supply"
    table = plain_table("case", "truly off", *(["controller"] if with_outcome else []), "cycles", "verdict")
    for row in rows[:_MOST_CASES]:
        name = Text(without_controls(row.case.name)).append(f" ({FROM_MEMORY})" if row.case.from_memory else "", "dim")
        off = bounds_text(row.off_time_ns) if row.off_time_ns is not None else "-"
        outcome = [outcome_words(row)] if with_outcome else []
        style = console_style(row.verdict) if row.verdict is not None else "dim"
        table.add_row(name, off, *outcome, number_words(row), Text(verdict_words(row), style=style))
    console.print(table)
    if len(rows) > _MOST_CASES:
        print_bullets([f"and {counted(len(rows) - _MOST_CASES, 'more case')}, all in the record"], console)


def _print_coverage(coverage: Coverage, console: Console) -> None:
    """What was played of all that the scenarios name: a map where there are several starts and several cuts, and in
    words what is left."""
    if not coverage.is_map:
        return
    print_heading("What was played", console)
    rows = [place for place in range(len(coverage.starts)) if any(row == place for row, _ in coverage.played)]
    if 1 < len(coverage.cuts) <= _MOST_CUTS and 1 < len(rows) <= _MOST_STARTS:
        table = plain_table("cut from", *map(cut_name, coverage.cuts), gap=2)
        for row in rows:
            cells = [_cell(coverage.played.get((row, cut))) for cut in range(len(coverage.cuts))]
            table.add_row(Text(without_controls(start_name(coverage, coverage.starts[row]))), *cells)
        console.print(table)
        print_bullets(["of each place: valid cycles of those asked for; - is in no scenario", START_MEANS], console)
    print_bullets(filter(None, (played_words(coverage), left_out_words(coverage))), console)


def _cell(played: Played | None) -> Text:
    if played is None:
        return Text("-", style="dim")
    return Text(valid_words(played), style=console_style(played.verdict) if played.verdict is not None else "dim")


def _print_search(found: SearchFound, console: Console) -> None:
    """What each zone of a search reaches, and a strip of its cuts over the off time."""
    table = plain_table("", "zone", "cuts", "shortest, truly off", "longest, truly off")
    for one in found.zones:
        table.add_row(
            SIGNS[one.zone], one.zone.value, str(one.cycles), off_text(one.shortest_ns), off_text(one.longest_ns)
        )
    console.print(table)
    drawn, ends = strip(found, min(console.width, 100) - 4)
    if drawn:
        console.print(Padding(Text(drawn, no_wrap=True), (0, 0, 0, 2)))
        console.print(Padding(Text(ends, style="dim", no_wrap=True), (0, 0, 0, 2)))
    console.print(Padding(Text(found_text(found), style="bold"), (0, 0, 0, 2)))


def _print_times(measured: Sequence[MeasuredTime], console: Console) -> None:
    """How long it took to be ready, and whatever has a limit, where there are several cycles; the rest is in the
    record."""
    told = [one for one in measured if one.cycles > 1 and (one.limit is not None or one.what == "ready")]
    if not told:
        return
    table = plain_table("time", "seen", "median", "largest", "95 % keep", "limit")
    for one in told[:_MOST_TIMES]:
        group = "" if one.group == AFTER_A_RESTART else f"{one.group}: "
        name = without_controls(f"{f'{one.case}: ' if one.case else ''}{group}{one.what}")
        seen = f"{one.seen} of {one.cycles}" if one.seen != one.cycles else str(one.cycles)
        bound = tolerance_text(one) if one.tolerance is not None else "-"
        table.add_row(name, seen, time_text(one.median.sample), time_text(one.largest), bound, limit_text(one.limit))
    console.print(table)
    if len(told) > _MOST_TIMES:
        print_bullets([f"and {counted(len(told) - _MOST_TIMES, 'more time')}, all in the record"], console)
    for one in told:
        if one.drift is not None and one.drift.p_value < SURE_DRIFT:
            print_bullets([f"{f'{one.case}: ' if one.case else ''}{one.what} drifts: {drift_text(one)}"], console)
    most = max(one.more_needed for one in told)
    if most:
        text = f"{counted(most, 'more cycle')} of a case would show what 95 % of all such cycles keep (95 % confidence)"
        console.print(Padding(Text(text, style="dim"), (0, 0, 0, 2)))


def _print_forecasts(run: OneRun, found: Foretold | None, console: Console) -> None:
    """What people expected before each cut and what the program model says, beside what was seen, and how often each
    was right."""
    rows = forecasts_of(run, found)
    if not rows:
        return
    names = list(dict.fromkeys(name for row in rows for name in row.expected))
    model = ["program"] if found is not None else []
    table = plain_table("cycle", "cut", "output", "before", *map(without_controls, names), *model, "seen")
    for row in rows:
        guesses = [_guess_word(row.expected.get(name), row.seen) for name in names]
        guesses += [_guess_word(row.predicted, row.seen) for _ in model]
        told = (str(row.cycle), CUT_OF[row.how], without_controls(row.shown), state_word(row.before))
        table.add_row(*told, *guesses, state_word(row.seen, "-"))
    print_heading(ASKED_FIRST, console)
    console.print(table)
    for one in (*scores(rows), *([program_score(rows)] if model else [])):
        console.print(Text(f"{without_controls(one.learner)}: {score_text(one)}"))


def _guess_word(expected: bool | None, seen: bool | None) -> Text:
    known = expected is not None and seen is not None
    style = "" if not known else "green" if expected is seen else "red"
    return Text(state_word(expected), style=style)


def _print_why(run: OneRun, console: Console, otherwise: Sequence[str] = ()) -> None:
    """Why each output does what it does, as the archived program behaves; nothing where there is no program model."""
    why = why_in(run.folder)
    if why is None:
        return
    console.print()
    for number, line in enumerate(why_lines(why, console.width, otherwise)):
        style = "bold" if why.reasons and number == 0 else ""
        console.print(Text(without_controls(line), style=style), soft_wrap=True)


def _print_limits(run: OneRun, console: Console) -> None:
    """What the run does not show, in short; in detail where nothing scrolls away, else the record has it."""
    limits = limits_of(run.scenarios)
    if not limits:
        return
    print_heading("What this does not show", console)
    in_short = limits_in_short(run.rig, run.counted, run.scenarios, run.tested)
    print_bullets(in_short, console)
    if in_short and console.is_terminal:
        text = f"in detail: {counted(len(limits), 'limit')}, in the record"
        console.print(Padding(Text(text, style="dim"), (0, 0, 1, 2)))
        return
    if in_short:
        console.print(Padding(Text("in detail", style="dim"), (0, 0, 0, 2)))
    for limit, names in limits:
        whose = "" if len(run.scenarios) == 1 else "all: " if len(names) == len(run.scenarios) else f"{listed(names)}: "
        print_bullets([f"{whose}{limit}"], console)
    console.print()


def _print_passed(run: OneRun, console: Console) -> None:
    passed = [one.scenario for one in run.scenarios if one.verdict is Verdict.PASS]
    if passed and len(run.scenarios) > 1:
        console.print(Text("What passed", style="bold"))
        console.print(Padding(Text(without_controls(listed(passed))), (0, 0, 1, 2)))


def _print_not_passed(run: OneRun, console: Console) -> None:
    """After the limits, so that the last screen of a small window names what failed."""
    missed = not_passed(run.rig, run.scenarios, run.counted)
    if not missed:
        return
    console.print(Text("What did not pass", style="bold"))
    for scenario in missed[:_MOST_SCENARIOS]:
        line = Text("  ").append(scenario.verdict.value, style=console_style(scenario.verdict))
        room = max(40, console.width) - line.cell_len - 2
        console.print(line.append(f"  {shortened(without_controls(_not_passed_words(scenario)), room)}"))
    if len(missed) > _MOST_SCENARIOS:
        console.print(Text(f"  and {counted(len(missed) - _MOST_SCENARIOS, 'more scenario')}, above and in the record"))
    console.print()


def _not_passed_words(scenario: NotPassed) -> str:
    """`burner-stays-shut: 2 of 20 cycles, Burner valve`; the outputs last, for there may be many."""
    cycles = f"{scenario.cycles} of {counted(scenario.of, 'cycle')}" if scenario.cycles else "over the whole run"
    cycles = cycles if scenario.of else "not begun"
    return f"{scenario.scenario}: {cycles}" + (f", {listed(scenario.outputs)}" if scenario.outputs else "")


def _verdict(verdict: Verdict) -> Text:
    word = Text(verdict.value, style=console_style(verdict))
    return word.append(f" ({GLOSS[verdict]})", style="not bold default")


def _counts(scenario: ScenarioJudged) -> str:
    counts = [f"{count} {word}" for word, count in scenario.counted.items() if count]
    cycles = counted(scenario.cycles, "cycle")
    return f"{cycles}: {', '.join(counts)}" if len(counts) > 1 else cycles


# ---------------------------------------------------------------- matrix


def matrix_table(rows: Sequence[MatrixRow], width: int, case: str) -> Table:
    """The restart matrix of one case. Of what did not pass the reason stands below, among the findings; in a narrow
    window of nothing else either. Cells that have to be broken are broken before a length, not within it."""
    wide = _is_wide(rows, width)
    gap = 3 if width >= _ROOMY else 2
    heads = ["output", "before", "at loss", "at return", "delay", "verdict"]
    table = plain_table(*heads, gap=gap - 1, title=without_controls(case) or None)
    if wide:
        table.add_column("reason", ratio=1)
    told: list[list[str | Text]] = [
        [_output(row), row.before, row.at_loss, row.at_return, _delay(row), _word(row)] for row in rows
    ]
    for breaks in _BREAKS:
        if _columns_of([heads, *told]) + gap * (len(table.columns) - 1) + (_REASON if wide else 0) <= width:
            break
        told = [[*cells[:2], *(_broken(cell, *breaks) for cell in cells[2:])] for cells in told]
    for row, cells in zip(rows, told, strict=True):
        reason = "(below)" if _told_below(row) else without_controls(row.reason)
        table.add_row(*cells, *([reason] if wide else []))
    return table


def _is_wide(rows: Sequence[MatrixRow], width: int) -> bool:
    """Whether there is room for a reason, and one to tell."""
    return width >= _WIDE and not all(_told_below(row) for row in rows)


def _told_below(row: MatrixRow) -> bool:
    return row.verdict not in (None, Verdict.PASS)


_BREAKS = ((" within ", "\nwithin "), (" .. ", " ..\n"), (", ", ",\n"))


def _broken(cell: str | Text, at: str, instead: str) -> str | Text:
    return cell.replace(at, instead) if isinstance(cell, str) else cell


def _columns_of(rows: Sequence[Sequence[str | Text]]) -> int:
    """How many columns these cells take side by side."""
    lines = [[max(map(cell_len, str(cell).splitlines() or [""])) for cell in row] for row in rows]
    return sum(max(column) for column in zip(*lines, strict=True))


def _word(row: MatrixRow) -> Text:
    return Text(row.verdict_word, style="dim" if row.verdict is None else console_style(row.verdict))


def _output(row: MatrixRow) -> Text:
    name = Text(shortened(without_controls(row.shown), _LONGEST_NAME))
    return name.append(f" {IMAGE_ONLY}", style="dim") if row.image_only else name


def _delay(row: MatrixRow) -> str:
    return bounds_text(row.delay_ns) if row.delay_ns is not None else "-"


# ---------------------------------------------------------------- findings


def notable_rows(rig: Rig, scenario: ScenarioJudged, cycles: Sequence[CycleJudged]) -> list[FindingRow]:
    """What did not pass, the worst first: findings over all cycles, and cycles that were errors as a whole."""
    cycles = all_without_echoes(cycles)
    rows = [row for row in finding_rows(rig, cycles, [scenario]) if row.verdict is not Verdict.PASS]
    whole: dict[tuple[str, str], tuple[str, list[int]]] = {}
    for cycle in cycles:
        if cycle.is_error_as_a_whole:
            whole.setdefault((cycle.case, alike(cycle.reason)), (cycle.reason, []))[1].append(cycle.cycle)
    rows += [
        FindingRow(scenario.scenario, case, "", "the cycle as a whole", Verdict.ERROR, {}, (Said(reason, tuple(seen)),))
        for (case, _), (reason, seen) in whole.items()
    ]
    return sorted(rows, key=lambda row: badness(row.verdict))


def _print_notable(run: OneRun, scenario: ScenarioJudged, cycles: Sequence[CycleJudged], console: Console) -> None:
    rows = notable_rows(run.rig, scenario, cycles)
    for row in rows[:_MOST_FINDINGS]:
        line = Text(row.verdict.value, style=console_style(row.verdict))
        case = f"{row.case}: " if row.case else ""
        line.append(f"  {without_controls(f'{case}{row.point} {row.expectation}'.strip())}", style="bold default")
        if len(row.counted) > 1:
            counts = ", ".join(f"{word} {count}" for word, count in row.counted.items())
            line.append(f" ({counts})", style="not bold default")
        console.print(Padding(line, (0, 0, 0, 2)))
        for said in row.said:
            console.print(Padding(Text(f"{cycles_text(said.cycles)}: {without_controls(said.reason)}"), (0, 0, 0, 6)))
        if row.unsaid:
            console.print(Padding(Text(f"and {row.unsaid} more, all in the record"), (0, 0, 0, 6)))
    if len(rows) > _MOST_FINDINGS:
        print_bullets([f"and {len(rows) - _MOST_FINDINGS} more, all in the record"], console)
    for verdict in WORST_FIRST:
        if verdict is not scenario.verdict and any(row.verdict is verdict for row in rows):
            console.print(Padding(Text(f"{verdict.value}: {GLOSS[verdict]}", style="dim"), (0, 0, 0, 2)))
