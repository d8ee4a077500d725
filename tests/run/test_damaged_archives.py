"""Archives that can't be written or closed: a damaged old run keeps nobody from the rig, and where nothing could be
kept nothing is begun."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any, cast

import pytest

from evidence import dryer
from restart_bench.archive.files import ArchiveError
from restart_bench.model.codec import to_line
from restart_bench.model.journal import RunEnded
from restart_bench.model.outcome import Refused, RunOptions
from restart_bench.model.verdicts import Verdict
from restart_bench.run import recovery
from restart_bench.run.actuators import Actuators
from restart_bench.run.session import SessionPlan
from restart_bench.suite.loader import Suite


def killed_simulation(logs: Path, run: str) -> Path:
    """A folder as a killed simulated run leaves it, as far as closing is asked for."""
    folder = logs / "rig=grain-dryer-trainer" / "date=2026-07-20" / f"run={run}"
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps({"run": run, "armed": False}), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    "raised",
    [
        ArchiveError("full"), TypeError("NoneType"), KeyError("clock_ns"), ValueError("torn Parquet"), RecursionError(),
        UnicodeEncodeError("utf-8", "\udcfc", 0, 1, "surrogates not allowed"),
    ],
    ids=lambda problem: type(problem).__name__,
)  # fmt: skip
def test_a_log_that_cannot_be_closed_keeps_nobody_from_a_run_whatever_closing_raises(
    raised: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is said and stays open; the killed run behind it is closed."""
    damaged, whole = killed_simulation(tmp_path, "a"), killed_simulation(tmp_path, "b")

    def finish(folder: Path, *_: Any) -> None:
        if folder == damaged:
            raise raised

    monkeypatch.setattr(recovery, "finish_killed", finish)
    said: list[str] = []
    closed = recovery.put_right(
        [damaged, whole], cast(Actuators, None), dryer(), say=said.append, armed=True
    )  # fmt: skip
    assert closed == (whole,)
    assert any("could not be closed" in text and str(raised) in text for text in said), said


@pytest.mark.parametrize("simulated", [True, False])
def test_nothing_begins_where_the_archives_folder_has_a_name_that_is_no_text(simulated: bool, tmp_path: Path) -> None:
    """Its samples could not be written in the end, so that is refused at the beginning."""
    logs = Path(os.fsdecode(os.fsencode(tmp_path) + b"/l\xfcgs"))
    with pytest.raises(Refused, match=r"l\\xfcgs.*--logs"):
        SessionPlan.of(cast(Suite, None), RunOptions(logs, simulated=simulated))


def test_of_a_run_that_came_to_its_end_nobody_says_that_it_was_surely_killed(tmp_path: Path) -> None:
    """A full disk takes the journal's end, and neither the sums nor a word in run.json."""
    folder = killed_simulation(tmp_path, "a")
    assert recovery.how_it_ended(folder) == "was killed"
    ended = RunEnded("a", "completed", Verdict.PASS, 0, "", 1, "2026-07-20T10:00:00.000+00:00")
    (folder / "journal.jsonl").write_text(f"{to_line(ended)}\n", encoding="utf-8")
    assert recovery.how_it_ended(folder) == "came to its end and was killed, or its disk was full, before it was closed"
