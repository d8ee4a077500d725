"""An old run whose archive is damaged: it keeps nobody from the rig."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, cast

import pytest

from evidence import dryer
from restart_bench.archive.files import ArchiveError
from restart_bench.run import recovery
from restart_bench.run.actuators import Actuators


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
