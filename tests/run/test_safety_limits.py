"""Limits of the supply and of single points, over all runs of a rig, killed ones included."""

from __future__ import annotations

import itertools
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from restart_bench.model.clock import now_ns
from restart_bench.model.journal import Record, Switching
from restart_bench.model.outcome import Refused
from restart_bench.model.verdicts import EXIT_PASS, EXIT_STOPPED
from restart_bench.run.session import SessionPlan
from restart_bench.run.supervision import Supervisor
from restart_bench.run.usage import Worn, wear_of
from safety_rig import MS, SCENARIO, ArmedRig, Seen, armed_rig, never_on_too_early, told_of

LONG = "3 s"
LONG_NS = 3000 * MS


@pytest.fixture
def long_waits_end_the_run(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A wait of more than a minute ends the run as a person would, and is noted in seconds."""
    noted: list[float] = []
    wait_until = Supervisor.wait_until

    def impatient(attention: Supervisor, deadline_ns: int, check: Any = None) -> Any:
        left_s = (deadline_ns - now_ns()) / 1e9
        if left_s > 60:
            noted.append(left_s)
            attention._stop.now("a person who does not wait")
        return wait_until(attention, deadline_ns, check)

    monkeypatch.setattr(Supervisor, "wait_until", impatient)
    return noted


# ---------------------------------------------------------------- the supply


def test_off_at_least_is_kept_after_a_kill(tmp_path: Path) -> None:
    """`park` comes right after a kill in the off time: the supply is not brought back before its time is over."""
    with armed_rig(tmp_path, off_at_least=LONG, scenario=_scenario("3100 ms")) as rig:
        rig.run_killed_at("off")
        said: list[str] = []
        assert rig.park(said).well and rig.supply_is_on
        never_on_too_early(rig, LONG_NS)
        assert any("off_at_least" in text for text in said)


def test_off_at_least_is_kept_from_one_run_to_the_next(tmp_path: Path) -> None:
    """A run leaves the supply off, the next one starts at once: it waits before it brings the supply back."""
    with armed_rig(tmp_path, at_end="off", off_at_least=LONG, scenario=_scenario("3100 ms")) as rig:
        assert rig.perform(rehearse=True).exit_code == EXIT_PASS
        assert not rig.supply_is_on
        assert rig.perform(rehearse=True).exit_code == EXIT_PASS
        assert len(rig.off_times()) == 1
        never_on_too_early(rig, LONG_NS)


def test_off_at_least_is_kept_where_the_relay_obeys_late(tmp_path: Path) -> None:
    """Each command reaches the relay 100 ms late, the one to come back at once: the time counts from where the
    relay had surely obeyed, not from where it was asked."""
    with armed_rig(tmp_path) as rig:
        rig.door.late_s = 0.1

        class Hurries(Seen):
            def record(self, record: Record) -> None:
                if isinstance(record, Switching) and record.purpose == "cut":
                    rig.door.late_s = 0.0

        assert rig.perform(Hurries()).exit_code == EXIT_PASS
        assert len(rig.off_times()) == 1
        never_on_too_early(rig)


def test_cuts_per_hour_count_over_all_runs_of_the_supply(tmp_path: Path, long_waits_end_the_run: list[float]) -> None:
    """Two cuts an hour: after two runs the third waits for the rest of the hour, and cuts nothing before."""
    with armed_rig(tmp_path, limits=", cuts_per_hour: 2") as rig:
        assert [rig.perform().exit_code for _ in range(2)] == [EXIT_PASS] * 2
        seen = Seen()
        assert rig.perform(seen).exit_code == EXIT_STOPPED
        told = [line for line in seen.said.splitlines() if "no more than 2 cuts an hour (cuts_per_hour)" in line]
        assert len(told) == 1 and "min" in told[0] and "to go" in told[0]
        assert len(rig.off_times()) == 2
        assert [3000 < seconds <= 3600 for seconds in long_waits_end_the_run] == [True]


def test_a_cut_of_a_killed_run_counts_too(tmp_path: Path, long_waits_end_the_run: list[float]) -> None:
    """One cut an hour: a run that was killed right after its cut has used it."""
    with armed_rig(tmp_path, limits=", cuts_per_hour: 1") as rig:
        rig.run_killed_at("cut")
        assert rig.perform().exit_code == EXIT_STOPPED
        assert len(rig.off_times()) == 1
        assert [seconds > 3000 for seconds in long_waits_end_the_run] == [True]


def test_cuts_count_for_the_relay_whatever_the_rig_is_called(
    tmp_path: Path, long_waits_end_the_run: list[float]
) -> None:
    """The limit is the supply's: cuts of the same relay under another rig's name have used it too."""
    with armed_rig(tmp_path, limits=", cuts_per_hour: 1") as rig:
        assert rig.perform().exit_code == EXIT_PASS
        file = rig.folder / "rig.yaml"
        file.write_text(file.read_text(encoding="utf-8").replace("lamp-trainer", "renamed"), encoding="utf-8")
        assert rig.perform(arm="renamed").exit_code == EXIT_STOPPED
        assert len(rig.off_times()) == 1
        assert [seconds > 3000 for seconds in long_waits_end_the_run] == [True]


def test_on_at_least_is_kept_between_cycles_and_runs(tmp_path: Path) -> None:
    """The supply stays on for `on_at_least` before each cut, by the relay's own truth."""
    with armed_rig(tmp_path, on_at_least="2 s", repeat=2) as rig:
        assert rig.perform().exit_code == EXIT_PASS
        assert rig.perform().exit_code == EXIT_PASS
        times = rig.off_times()
        assert len(times) == 4
        for (_, back), (gone, _) in itertools.pairwise(times):
            assert gone - back >= 2000 * MS - 2 * MS


# ---------------------------------------------------------------- points


def test_starts_per_hour_of_a_point_count_over_all_runs(tmp_path: Path, long_waits_end_the_run: list[float]) -> None:
    """`starts_per_hour: 2` of the start button's motor: the third press of an hour is waited for."""
    with armed_rig(tmp_path, start=", limits: {starts_per_hour: 2}") as rig:
        assert [rig.perform().exit_code for _ in range(2)] == [EXIT_PASS] * 2
        assert rig.perform().exit_code == EXIT_STOPPED
        presses = [line for line in rig.truth("command") if line["name"] == "start" and line["value"]]
        assert len(presses) == 2
        assert [seconds > 3000 for seconds in long_waits_end_the_run] == [True]


def test_a_press_of_a_killed_run_counts_too(tmp_path: Path, long_waits_end_the_run: list[float]) -> None:
    """Killed while the button was pressed: that start has been used."""
    with armed_rig(tmp_path, start=", limits: {starts_per_hour: 1}") as rig:
        rig.run_killed_at("before")
        assert rig.perform().exit_code == EXIT_STOPPED
        presses = [line for line in rig.truth("command") if line["name"] == "start" and line["value"]]
        assert len(presses) == 1
        assert [seconds > 3000 for seconds in long_waits_end_the_run] == [True]


def test_off_at_least_of_a_point_is_kept_between_presses_and_runs(tmp_path: Path) -> None:
    """A point with `off_at_least` is not taken out of idle again before its time, in the next cycle or run."""
    with armed_rig(tmp_path, start=", limits: {off_at_least: 3 s}", repeat=2) as rig:
        assert rig.perform().exit_code == EXIT_PASS
        assert rig.perform().exit_code == EXIT_PASS
        moves = [line for line in rig.truth("command") if line["name"] == "start"]
        pauses = [
            after["after_ns"] - before["before_ns"]
            for before, after in itertools.pairwise(moves)
            if after["value"] and not before["value"] and before is not moves[0]
        ]
        assert len(pauses) == 3 and min(pauses) >= 3000 * MS - 2 * MS


# ---------------------------------------------------------------- wear


def test_wear_is_counted_as_the_relay_really_moved(tmp_path: Path) -> None:
    """run.json counts each movement of the contact, in a killed run too."""
    with armed_rig(tmp_path) as rig:
        assert rig.perform().exit_code == EXIT_PASS
        assert told_of(rig.runs()[0])["operations"] >= 2 == len(rig.truth("supply")) - 1
        rig.run_killed_at("off")
        assert rig.park().well
        assert told_of(rig.runs()[1])["operations"] >= 1


def test_wear_warns_from_four_fifths_of_the_rated_life_and_refuses_beyond_it(tmp_path: Path) -> None:
    """Ten rated operations, two a cycle: the fifth run of two operations warns, the sixth is refused unmoved."""
    with armed_rig(tmp_path, limits=", operations: 20") as rig:
        assert rig.perform().exit_code == EXIT_PASS
        _worn_to(rig, 15)
        warned = Seen()
        assert rig.perform(warned).exit_code == EXIT_PASS
        assert "rated operations behind it" in warned.said
        _worn_to(rig, 19)
        moved = len(rig.truth("supply")), len(rig.truth("write"))
        with pytest.raises(Refused, match="nothing was moved"):
            rig.perform()
        assert (len(rig.truth("supply")), len(rig.truth("write"))) == moved


def _worn_to(rig: ArmedRig, operations: int) -> None:
    """The archive as if the newest run had used up the contact so far."""
    runs = rig.runs()
    others = sum(int(told_of(folder)["operations"]) for folder in runs[:-1])
    told = told_of(runs[-1])
    told["operations"] = operations - others
    # two hours ago, so that no limit of the last hour plays
    told["ended"]["wall"] = (datetime.now(tz=UTC) - timedelta(hours=2)).isoformat()
    (runs[-1] / "run.json").write_text(json.dumps(told), encoding="utf-8")


def _scenario(off_for: str) -> str:
    assert SCENARIO.count("off_for: 350 ms") == 1
    return SCENARIO.replace("off_for: 350 ms", f"off_for: {off_for}")


def test_going_on_adds_only_the_wear_of_what_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed in the second of two cycles: one is left, and its cut and return fit into the contact's life, where those
    of both would not; a contact that has no life left for these two is refused."""
    with armed_rig(tmp_path, repeat=2, limits=", operations: 8") as rig:
        rig.run_killed_at("watch", 2)
        behind = wear_of(rig.logs, rig.suite().rig).operations
        assert behind + 2 <= 8 < behind + 4
        plan = SessionPlan.of(rig.suite(), rig.options(resume="last", seed=None))
        plan.try_supply()
        monkeypatch.setattr("restart_bench.run.session.wear_of", lambda *_: Worn(7))
        with pytest.raises(Refused, match="this run would add 2"):
            plan.try_supply()
