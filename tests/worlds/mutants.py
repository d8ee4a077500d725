"""The judge weakened, rule by rule: what `mutating.py` tries. One line each, so that they read as a list."""

# ruff: noqa: E501

from __future__ import annotations

from mutating import Mutant

RULE_3 = ("tests/evidence/test_restarts.py", "tests/evidence/test_traces.py")
MARKS = ("tests/evidence/test_restarted_again.py", "tests/evidence/test_restarts.py", "tests/evidence/test_marks.py")
RUNS = ("tests/worlds/test_worlds_runs.py::test_a_scenario_says_over_its_cycles_what_the_rules_say",)
JUDGING = ("tests/judging/test_judging.py", "tests/judging/test_judging_doubts.py")

MUTANTS = (
    # which reads count
    Mutant("the first change counts, not the second", "evidence/traces.py", "yield int(moves[row + 1])", "yield int(moves[row])", ("tests/evidence/test_restarts.py::test_reads_count_from_the_second_change_after_the_return",)),
    Mutant("changes of alive from before the return count on", "evidence/traces.py", "(0, *sorted(anew)), still_ns)", "(0,), still_ns)", RULE_3),
    Mutant("reads go on counting while alive stands still", "evidence/traces.py", "if still_ns is not None:\n        lasted", "if still_ns is None:\n        lasted", RULE_3),
    Mutant("alive may stand for ten times its pace", "evidence/traces.py", "max(2 * pace, STILL_NS)", "max(10 * pace, 10 * STILL_NS)", RULE_3),
    Mutant("every connection shares its changes of alive", "evidence/traces.py", "counts |= (part.connection == one.connection) & (part.sent", "counts |= (part.sent", ("tests/evidence/test_traces.py::test_each_connection_has_to_show_life_anew",)),
    Mutant("all good reads of the controller count", "evidence/traces.py", "if rows.device.powered_by_supply else None", "if not rows.device.powered_by_supply else None", RULE_3),
    Mutant("an exception reply counts as a value", "evidence/traces.py", 'good = self.column("kind")[rows] == SampleKind.GOOD\n            self._parts', 'good = self.column("kind")[rows] <= SampleKind.EXCEPTION\n            self._parts', ("tests/evidence/test_restarted_again.py::test_what_stands_beside_an_exception_reply_is_no_value",)),
    Mutant("input delay and image lag are forgotten", "evidence/traces.py", "return self.image_lag_ns + self.input_delay_ns", "return 0", ("tests/evidence/test_traces.py", "tests/evidence/test_bounds.py")),
    Mutant("gaps are counted from receipt to sending", "evidence/traces.py", "begin = reads.early[low:high]", "begin = reads.late[low:high]", ("tests/evidence/test_traces.py",)),
    Mutant("the gap up to the end of a span is forgotten", "evidence/traces.py", "last = int(reads.late[high]) if high < len(reads) else end_ns", "last = int(reads.late[high]) if high < len(reads) else int(reads.late[-1])", ("tests/evidence/test_traces.py",)),
    # marks, late restarts
    Mutant("a restart that comes late is not followed", "evidence/marks.py", "if late.bounds.not_before_ns <= self._watch_end(earlier, restored):", "if late.bounds.not_before_ns < 0:", ("tests/evidence/test_restarted_again.py::test_a_late_restart_behind_a_gateway_shows_in_the_uptime_alone",)),
    Mutant("a controller lost again is not followed", "evidence/marks.py", "MOST_RESTARTS = 20", "MOST_RESTARTS = 0", MARKS),
    Mutant("silence alone is taken for a restart", "evidence/marks.py", "return marks if late.proven else _reaching_back(marks, earlier)", "return marks", ("tests/evidence/test_restarted_again.py::test_where_silence_alone_tells_of_a_restart_ready_may_have_come_before_it",)),
    Mutant("the watch begins at the earliest bound of ready", "evidence/marks.py", "return begun.not_after_ns\n", "return begun.not_before_ns - 400_000_000\n", MARKS),
    Mutant("ready needs no steady time", "evidence/marks.py", ">= rig.ready.steady_ns", ">= 0", ("tests/evidence/test_marks.py::test_ready_has_to_hold_for_steady",)),
    Mutant("a rail that moves later than declared is not counted from", "evidence/marks.py", "restored = _by_itself(reads, off, cut, restored) or back or restored", "restored = _by_itself(reads, off, cut, restored) or restored", ("tests/evidence/test_marks.py", "tests/run/test_faults_supply.py")),
    Mutant("a supply that comes back by itself is not counted from", "evidence/marks.py", "restored = _by_itself(reads, off, cut, restored) or back or restored", "restored = back or restored", ("tests/judging/test_judging_spans.py",)),
    Mutant("an off read after a blind return moves the return", "evidence/marks.py", "return Bounds(hiding[0][0] if hiding else not_before, int(reads.late[place]))", "return Bounds(not_before, int(reads.late[place]))", ("tests/evidence/test_restarted_again.py::test_the_end_of_a_second_dip_is_not_taken_for_a_return_that_nobody_read",)),
    Mutant("bounds of the return leave out the relay's delay", "evidence/marks.py", "delay = rig.supply.closing_ns + rig.supply.bounce_ns", "delay = 0", ("tests/evidence/test_marks.py::test_cut_and_restored_are_the_commands_widened_by_the_relay",)),
    Mutant("bounds of the loss leave out the relay's delay", "evidence/marks.py", "delay = rig.supply.opening_ns + rig.supply.bounce_ns", "delay = 0", ("tests/evidence/test_marks.py::test_cut_and_restored_are_the_commands_widened_by_the_relay",)),
    Mutant("silence is no sign against an answer", "evidence/marks.py", "no_answer = (SampleKind.REFUSED, SampleKind.SILENT, SampleKind.RESET)", "no_answer = (SampleKind.REFUSED, SampleKind.RESET)", ("tests/evidence/test_restarted_again.py::test_a_request_that_nobody_answered_is_a_sign_against_an_answer_before_it",)),
    Mutant("a reset on the old connection speaks against the new", "evidence/reachability.py", "& ~silent_connect & ~no_sign", "& ~silent_connect", ("tests/evidence/test_restarted_again.py::test_a_reset_on_the_old_connection_is_no_sign_against_answers_on_a_new_one",)),
    Mutant("a single silent request speaks against an answer before it", "evidence/reachability.py", "int(unanswered[-2]) if len(unanswered) > 1 else 0", "int(unanswered[-1]) if len(unanswered) else 0", ("tests/evidence/test_restarted_again.py::test_a_single_request_that_stays_silent_shows_nothing_against_an_answer_before_it",)),
    Mutant("of many silent requests the last is a sign", "evidence/reachability.py", "int(unanswered[-2]) if len(unanswered) > 1 else 0", "int(unanswered[-1]) if len(unanswered) > 1 else 0", ("tests/evidence/test_restarted_again.py::test_of_two_requests_that_stay_silent_the_first_shows_that_nobody_answered_yet",)),
    Mutant("one silent request shows a loss", "evidence/reachability.py", "signs[1 if alone else 0]", "signs[0]", ("tests/evidence/test_restarted_again.py::test_a_loss_is_shown_by_two_requests_that_stay_silent_not_by_one",)),
    Mutant("a connection that ended with one silent request is a restart", "judging/proofs.py", "    if fate.alone:", "    if False:", ("tests/evidence/test_restarted_again.py::test_a_connection_that_ends_with_one_silent_request_shows_no_restart",)),
    Mutant("a few polls left out hide no change", "evidence/marks.py", "UNSEEN_POLLS = 3", "UNSEEN_POLLS = 12", ("tests/judging/test_judging_spans.py::test_a_few_polls_left_out_may_hide_that_it_went_off_and_came_on_again",)),
    Mutant("what an image lags behind hides a change", "evidence/marks.py", "return UNSEEN_POLLS * device.poll_ns + device.image_lag_ns + device.input_delay_ns", "return UNSEEN_POLLS * device.poll_ns", ("tests/judging/test_judging_spans.py::test_a_lag_alone_hides_no_change",)),
    # is
    Mutant("one deviating read is forgiven", "judging/states.py", "broken = np.flatnonzero(~met)\n    if len(broken):", "broken = np.flatnonzero(~met)\n    if len(broken) > 1:", ("tests/judging/test_expecting.py",)),
    Mutant("is tolerates any blind gap", "judging/states.py", "gaps = long_gaps(known, start, end, demand.blind_ns + 1)\n    if gaps or len(reads) == 0:", "gaps = []\n    if len(reads) == 0:", ("tests/judging/test_expecting.py",)),
    Mutant("one read covers a span", "judging/states.py", "if not _covered(reads, start, end):", "if False:", ("tests/judging/test_judging_spans.py::test_one_read_does_not_cover_a_settled_span",)),
    Mutant("the settled span begins at the return", "evidence/evidence.py", 'return self.marks["settled"].not_after_ns', "assert self.restored is not None\n        return self.restored.not_after_ns", ("tests/judging/test_expecting.py",)),
    Mutant("as before is as at the end", "evidence/evidence.py", "return None if self.cut is None else self.reads(name).value_until(self.cut.not_before_ns)", "return None if self.cut is None else self.reads(name).value_until(self.end_ns)", ("tests/judging/test_expecting.py",)),
    Mutant("tolerance is twice as wide", "evidence/traces.py", "return np.abs(value - float(wanted.equals)) <= wanted.tolerance", "return np.abs(value - float(wanted.equals)) <= 2 * wanted.tolerance + 1", ("tests/evidence/test_traces.py",)),
    Mutant("a change may be one more", "evidence/traces.py", "return (change >= wanted.change[0]) & (change <= wanted.change[1])", "return (change >= wanted.change[0]) & (change <= wanted.change[1] + 1)", ("tests/evidence/test_traces.py",)),
    # within, between
    Mutant("a limit within an event's bounds is met", "judging/states.py", "if not_after_ns is not None and high_ns > not_after_ns:\n        return Verdict.INCONCLUSIVE", "if not_after_ns is not None and low_ns > not_after_ns:\n        return Verdict.INCONCLUSIVE", ("tests/judging/test_expecting.py",)),
    Mutant("too late is only not shown", "judging/states.py", "if not_after_ns is not None and low_ns > not_after_ns:\n        return Verdict.FAIL", "if not_after_ns is not None and low_ns > not_after_ns:\n        return Verdict.INCONCLUSIVE", ("tests/judging/test_expecting.py",)),
    Mutant("too early is no fault", "judging/states.py", "if high_ns < not_before_ns:\n        return Verdict.FAIL", "if high_ns < not_before_ns:\n        return Verdict.PASS", ("tests/judging/test_expecting.py",)),
    Mutant("what came may be lost again", "judging/states.py", "relapses = missed[missed > onset.place]", "relapses = missed[missed > len(reads)]", ("tests/judging/test_expecting.py",)),
    Mutant("a first read that conforms is no change", "judging/states.py", "np.empty(0, dtype=np.intp) if began else missed)", "missed)", ("tests/judging/test_judging_spans.py",)),
    Mutant("what may have been so before the return was so", "judging/states.py", "if carried is not None:\n        return judged", "if True:\n        return judged", ("tests/judging/test_judging_spans.py::test_off_since_nobody_saw_when_may_be_left_by_no_power_or_a_change",)),
    Mutant("a drop with the supply that nobody could read was none", "judging/states.py", "return bool(long_gaps(reads, evidence.cut.not_before_ns, until_ns, least_off_ns))", "return False", ("tests/judging/test_judging_spans.py::test_on_before_a_blind_cut_and_after_it_may_have_outlived_it_or_come_again",)),
    Mutant("off and on again in a blind gap is no first change", "judging/states.py", "if on[0]:\n        stayed_ns", "if False:\n        stayed_ns", ("tests/judging/test_judging_spans.py::test_what_was_on_on_both_sides_of_a_blind_gap_may_have_come_on_in_it",)),
    Mutant("during ends with a return before its command", "judging/states.py", "if later.verdict is judged.verdict:", "if True:", ("tests/judging/test_judging_spans.py::test_what_comes_or_goes_after_an_early_return_says_nothing_of_the_time_in_the_dark",)),
    Mutant("from ready counts from the return", "judging/states.py", 'if demand.start == "ready":\n        return evidence.marks.get("ready")', 'if demand.start == "ready":\n        return evidence.restored', ("tests/judging/test_expecting.py",)),
    # never, stays, returns
    Mutant("the remainder may last beyond the return", "judging/pulses.py", "begin = min(begin, int(np.searchsorted(span.reads.early, span.back.not_after_ns, side=\"left\")))", "pass", ("tests/judging/test_judging_spans.py",)),
    Mutant("a pulse must be twice as long", "judging/pulses.py", "proven = [pulse for pulse in pulses if pulse.least_ns >= limit]", "proven = [pulse for pulse in pulses if pulse.least_ns >= 2 * limit]", ("tests/judging/test_expecting.py", "tests/judging/test_judging_truth.py")),
    Mutant("a pulse that may be long enough is none", "judging/pulses.py", "doubtful = [pulse for pulse in pulses if pulse.most_ns >= limit]", "doubtful = [pulse for pulse in pulses if pulse.least_ns >= limit]", ("tests/judging/test_judging_truth.py",)),
    Mutant("a pulse that may be long enough is one", "judging/pulses.py", "proven = [pulse for pulse in pulses if pulse.least_ns >= limit]", "proven = [pulse for pulse in pulses if pulse.most_ns >= limit]", ("tests/judging/test_judging_truth.py",)),
    Mutant("a gap in which a pulse could hide is no matter", "judging/pulses.py", "gaps = long_gaps(span.known, start, span.end_ns, limit)\n    if gaps:", "gaps = long_gaps(span.known, start, span.end_ns, limit)\n    if False:", ("tests/judging/test_judging_truth.py",)),
    Mutant("none conforms is not shown", "judging/pulses.py", "if pulse.least_ns >= limit:\n                return _never", "if False:\n                return _never", ("tests/judging/test_judging_spans.py", "tests/judging/test_expecting.py")),
    Mutant("nothing is shown behind a gap in which it may have conformed", "judging/pulses.py", "if pulse.least_ns >= limit:\n                return _never", "if pulse.least_ns >= limit and not gaps:\n                return _never", ("tests/judging/test_judging_spans.py::test_what_no_read_after_a_gap_shows_to_conform_deviated_from_there_on_whatever_the_gap_hid",)),
    Mutant("what conforms hides in no gap", "judging/pulses.py", 'int(np.searchsorted(after.late, gaps[-1][1], side="left")) if gaps else 0', "0", ("tests/judging/test_judging_spans.py::test_what_no_read_after_a_gap_shows_to_conform_deviated_from_there_on_whatever_the_gap_hid",)),
    Mutant("never and stays count from the return alone", "judging/pulses.py", "from_cut = off_conforms or rests", "from_cut = False", ("tests/judging/test_expecting.py",)),
    Mutant("pulses of two reads are stitched over any gap", "judging/pulses.py", "apart = reads.late[low + 1 : high] - reads.early[low : high - 1] >= limit_ns", "apart = reads.late[low + 1 : high] - reads.early[low : high - 1] >= 10**15", ("tests/judging/test_expecting.py::test_reads_of_on_far_apart_are_not_one_pulse",)),
    # gaps, ready, marks
    Mutant("gaps have no order", "judging/times.py", "window_verdict(low, high, one.at_least_ns or 0, one.at_most_ns)", "window_verdict(low, high, one.at_least_ns or -(2**62), one.at_most_ns)", ("tests/judging/test_judging_spans.py",)),
    Mutant("a rail proves the supply from the command on", "judging/proofs.py", "return max(since_ns, min(shown)) if shown else None", "return since_ns if shown else None", ("tests/judging/test_judging_doubts.py::test_a_rail_that_was_read_on_late_proves_the_supply_from_then_on",)),
    Mutant("not ready in time is not shown", "judging/times.py", "return Judged(Verdict.FAIL, back, {}, deadline_ns)", "return Judged(Verdict.INCONCLUSIVE, back, {}, deadline_ns)", ("tests/judging/test_judging.py",)),
    Mutant("ready passes whenever it came", "judging/times.py", "verdict, why = window_verdict(low, high, 0, within)", "verdict, why = window_verdict(low, high, 0, 2**62)", ("tests/judging/test_judging.py",)),
    Mutant("a mark's limit is twice as long", "judging/times.py", "verdict, why = window_verdict(low, high, one.window.not_before_ns, limit)", "verdict, why = window_verdict(low, high, one.window.not_before_ns, 2 * (limit or 0))", ("tests/judging/test_judging.py",)),
    # proofs and off times
    Mutant("a contradicted proof is no error", "judging/proofs.py", "if broken:\n        text = f\"the supply was not cut", "if False:\n        text = f\"the supply was not cut", ("tests/judging/test_judging.py::test_a_supply_proof_read_on_all_through_the_cut_is_contradicted_and_ends_the_run",)),
    Mutant("an unproven cut is no error", "judging/proofs.py", "elif not _proven(evidence, proofs):", "elif False:", ("tests/judging/test_judging.py",)),
    Mutant("any off time will do", "judging/proofs.py", "if surely or (asked.dip and asked.maybe_more(seen)):", "if False:", ("tests/judging/test_judging_spans.py",)),
    Mutant("an off time may be half a second off", "evidence/supply_off.py", "SLACK_NS = 100_000_000", "SLACK_NS = 600_000_000", ("tests/judging/test_judging_spans.py",)),
    Mutant("only the commands tell the off time", "judging/proofs.py", "seen = [one for one in proofs.supply if one.fell is not None and one.rose is not None]\n    for one in seen:\n        assert", "seen: list[SupplySeen] = []\n    for one in seen:\n        assert", ("tests/judging/test_judging_spans.py",)),
    Mutant("a second dip is no matter", "judging/proofs.py", "if one.again is not None:", "if False:", ("tests/judging/test_judging.py",)),
    Mutant("a supply that does not return is no matter", "judging/proofs.py", "if one.back is False and (", "if False and (", ("tests/judging/test_judging.py",)),
    Mutant("an uptime that fell proves a restart, however high", "evidence/restarts.py", "may = fell if unit is None else fell & (", "may = fell if unit is not None else fell & (", ("tests/evidence/test_restarts.py::test_an_uptime_above_the_time_since_the_cut_proves_nothing",)),
    Mutant("a wrap is a restart", "evidence/restarts.py", "if went_on:\n        return", "if False:\n        return", ("tests/evidence/test_restarts.py",)),
    Mutant("a pace that is hardly known shows a wrap", "evidence/restarts.py", "if 2 * spare > by_ns - cut.not_after_ns:", "if False:", ("tests/evidence/test_restarts.py::test_a_sign_of_life_whose_pace_is_hardly_known_shows_no_wrap",)),
    Mutant("a wrap that was due is a restart", "evidence/restarts.py", "proves = may & ~_explained(point, before, reads, anew_ns)", "proves = may", ("tests/evidence/test_restarts.py::test_a_wrap_before_the_program_froze_is_no_supply_that_came_back_by_itself",)),
    Mutant("what counts from a later start may have wrapped", "evidence/restarts.py", "anew = (rose & (one.counted < least)) | (", "anew = (", ("tests/evidence/test_restarts.py::test_a_wrap_hides_no_supply_that_came_back_by_itself",)),
    Mutant("a stack that refuses may stand behind an uptime that wrapped", "evidence/restarts.py", "began = [fate.anew_ns] if", "began = [None] if", ("tests/evidence/test_restarts.py::test_a_wrap_hides_no_supply_that_came_back_by_itself",)),
    Mutant("a sign of life that began anew may stand behind an uptime that wrapped", "evidence/restarts.py", "else [fate.anew_ns, fate.shown_ns]", "else [fate.anew_ns]", ("tests/evidence/test_restarts.py::test_a_sign_of_life_that_began_anew_tells_a_restart_from_a_wrap",)),
    Mutant("a link that lasted through the command back shows no early return", "judging/proofs.py", "if answered is None or not asked.clearly_less(", "if True or not asked.clearly_less(", ("tests/judging/test_judging.py::test_a_link_begun_anew_that_lasts_through_the_command_back_shows_an_early_return",)),
    Mutant("a link that came early by little is another off time", "judging/proofs.py", "if answered is None or not asked.clearly_less(", "if answered is None or not (lambda seen: True)(", ("tests/judging/test_judging.py::test_a_link_begun_anew_that_lasts_through_the_command_back_shows_an_early_return",)),
    Mutant("a silent link is a restart although the uptime may have wrapped", "judging/proofs.py", "(wrapped := _wrapped_on(evidence))", "(wrapped := None)", ("tests/evidence/test_restarts.py::test_a_wrap_while_the_network_was_away_about_the_cut_shows_neither_restart_nor_early_supply",)),
    Mutant("a network that was away about the cut is a restart", "judging/proofs.py", "not fate.late and _went_on(evidence):", "False:", ("tests/evidence/test_restarts.py::test_a_network_that_was_away_about_the_cut_is_no_restart_where_the_sign_of_life_went_on",)),
    Mutant("a connection lost before the cut was lost by it", "evidence/reachability.py", "if bool(((failed > last) &", "if False and bool(((failed > last) &", ("tests/evidence/test_restarts.py::test_a_connection_that_was_lost_before_the_cut_shows_no_restart",)),
    Mutant("a counter is looked at so soon after a dip that it tells nothing", "evidence/restarts.py", "_TOLD_NS = 500_000_000", "_TOLD_NS = 0", ("tests/evidence/test_restarts.py::test_a_wrap_shortly_after_a_dip_is_told_from_a_restart_by_what_is_read_somewhat_later",)),
    Mutant("restart none is met by a restart", "judging/proofs.py", 'Verdict.PASS if restarted is (wanted == "required") else Verdict.FAIL', "Verdict.PASS", ("tests/judging/test_judging.py",)),
    Mutant("proofs that contradict one another are believed", "judging/proofs.py", "restarted = True if held and not kept else", "restarted = True if held else", ("tests/judging/test_judging.py::test_proofs_of_the_restart_that_contradict_one_another_are_inconclusive",)),
    # validity
    Mutant("a wrong device is no error", "judging/validity.py", "for name, wanted in evidence.rig.identify:\n        broken", "for name, wanted in ():\n        broken", JUDGING),
    Mutant("a broken check channel is no error", "judging/validity.py", "for name, wanted in evidence.rig.check_channels:\n        broken", "for name, wanted in ():\n        broken", JUDGING),
    Mutant("a check pulse that was not seen is no error", "judging/validity.py", "if not bool(shown_on.any()):", "if False:", JUDGING),
    Mutant("only_while may be lost", "judging/validity.py", "for name, wanted in evidence.rig.only_while:\n        broken", "for name, wanted in ():\n        broken", JUDGING),
    Mutant("a stuck command point is no error", "judging/validity.py", "if found is not None:\n                yield found", "if False:\n                yield found", JUDGING),
    Mutant("another program is no fail", "judging/cycle.py", "others = np.flatnonzero(reads.value != before)", "others = np.flatnonzero(reads.value == before + 10**9)", JUDGING),
    # what stands beside an error, and the words over a run
    Mutant("a fail stands beside a voided cycle", "judging/cycle.py", "return not any(problem.void for problem in problems) and judged.proven_ns < problems[0].at_ns", "return True", JUDGING),
    Mutant("an error hides a fail that was proven before it", "judging/cycle.py", "if judged.verdict is not Verdict.FAIL or judged.proven_ns is None:\n        return False", "return False", ("tests/judging/test_judging.py::test_a_deviation_seen_wholly_before_an_error_stands_as_a_fail",)),
    Mutant("errors of a cycle leave its findings alone", "judging/cycle.py", "if not problems or _stands(judged, problems):", "if True:", JUDGING),
    Mutant("good cycles average a fail away", "judging/scenario.py", "if failed:\n        also", "if len(failed) > len(cycles) // 2:\n        also", ("tests/worlds/test_worlds_runs.py::test_a_scenario_says_over_its_cycles_what_the_rules_say",)),
    Mutant("errors over a run are forgotten", "judging/scenario.py", "if invalid:\n        return Verdict.ERROR", "if False:\n        return Verdict.ERROR", ("tests/worlds/test_worlds_runs.py::test_a_scenario_says_over_its_cycles_what_the_rules_say",)),
    Mutant("fewer cycles than planned are enough", "judging/scenario.py", "if len(cycles) < planned:", "if False:", RUNS),
    Mutant("inconclusive cycles are no misses in a demonstration", "judging/scenario.py", "misses = sum(cycle.verdict is not Verdict.PASS for cycle in own)\n        reached", "misses = sum(cycle.verdict is Verdict.FAIL for cycle in own)\n        reached", RUNS),
    Mutant("a dead channel is no error", "judging/scenario.py", "if known or demand.judged not in looked_at:", "if True:", RUNS),
)  # fmt: skip
