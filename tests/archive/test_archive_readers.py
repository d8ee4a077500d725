"""The archive reads as one table with the tools that people have: DuckDB, pandas, Dask, none of ours involved."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import duckdb
import pytest

from archive_builders import RIG_NAME, archived, comes_back, load, write_suite
from evidence import Story
from restart_bench.archive.files import run_folders
from restart_bench.archive.reader import ArchivedRun
from restart_bench.archive.writer import RunArchive

pytestmark = pytest.mark.filterwarnings("ignore:The inplace keyword")  # of a library, about itself
RUNS = ("20260726T080000Z-aaaa", "20260727T142233Z-4f2a", "20260727T150000Z-bbbb")


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs of two rigs, one of them without a single cycle: its tables are empty and have the same columns."""
    folder = tmp_path_factory.mktemp("logs")
    suite = load(write_suite(tmp_path_factory.mktemp("suite")))
    archived(folder, suite, [Story(seed=1), Story(seed=2)], RUNS[0])
    archived(folder, suite, [Story(seed=3), comes_back(Story(seed=4)), Story(seed=5)], RUNS[1])
    other = dataclasses.replace(suite, rig=dataclasses.replace(suite.rig, name="second-dryer"))
    RunArchive.create(folder, run_id=RUNS[2], suite=other, before={}).close({})
    return folder


def test_duckdb_reads_the_findings_of_a_fleet_as_they_stand(logs: Path) -> None:
    """One glob, no option: rig, date and run are columns from the folders' names."""
    rows = duckdb.sql(
        f"""
        SELECT rig, run, count(*) FILTER (verdict = 'fail')
        FROM '{logs}/**/findings.parquet' GROUP BY ALL ORDER BY run
        """
    ).fetchall()

    assert rows == [(RIG_NAME, RUNS[0], 0), (RIG_NAME, RUNS[1], 2)]


def test_duckdb_reads_figures_as_json(logs: Path) -> None:
    """Figures are JSON text that its own functions take apart."""
    rows = duckdb.sql(
        f"SELECT DISTINCT json_extract_string(figures, '$.judged') FROM '{logs}/**/findings.parquet' "
        "WHERE point = 'burner'"
    ).fetchall()

    assert rows == [("burner_terminal",)]


def test_duckdb_joins_samples_with_cycles(logs: Path) -> None:
    """Samples of a mark's span, over all runs: the burner's terminal was read on only where it came back."""
    rows = duckdb.sql(
        f"""
        SELECT c.run, c.cycle, bool_or(s.burner_terminal) AS seen_on
        FROM '{logs}/**/cycles.parquet' c JOIN '{logs}/**/samples/independent.parquet' s
          ON s.run = c.run AND s.cycle = c.cycle AND s.sent_ns > c.settled_not_after_ns
        GROUP BY ALL ORDER BY ALL
        """
    ).fetchall()

    assert rows == [
        (RUNS[0], 1, False), (RUNS[0], 2, False), (RUNS[1], 1, False), (RUNS[1], 2, True), (RUNS[1], 3, False),
    ]  # fmt: skip


def test_pandas_reads_them_file_by_file(logs: Path) -> None:
    """A recursive glob and one concat; every file has the same columns and types."""
    import pandas as pd

    frames = [pd.read_parquet(path, partitioning=None) for path in sorted(logs.glob("**/findings.parquet"))]
    table = pd.concat(frames)

    assert len(frames) == 3
    assert {tuple(frame.columns) for frame in frames} == {tuple(frames[0].columns)}
    assert (table["verdict"] == "fail").sum() == 2


def test_pandas_reads_them_as_one_partitioned_table(logs: Path) -> None:
    """Given the list of files, rig, date and run come from the folders' names."""
    import pandas as pd

    table = pd.read_parquet([str(path) for path in sorted(logs.glob("**/cycles.parquet"))])

    assert table.groupby("run", observed=True)["cycle"].max().to_dict() == {RUNS[0]: 2, RUNS[1]: 3}
    assert set(table["rig"].astype(str)) == {RIG_NAME}


def test_dask_reads_them_as_one_partitioned_table(logs: Path) -> None:
    """The same glob, out of core."""
    import dask.dataframe as dd

    table = dd.read_parquet(f"{logs}/**/cycles.parquet")
    counted = table[table["verdict"] == "fail"].groupby("run", observed=True)["cycle"].count().compute()

    assert {run: count for run, count in counted.to_dict().items() if count} == {RUNS[1]: 1}


def test_dask_reads_samples_with_their_types(logs: Path) -> None:
    """Bits stay Boolean with gaps, registers numbers, over all runs of the fleet that have samples."""
    import dask.dataframe as dd

    table = dd.read_parquet(f"{logs}/**/samples/controller.parquet").compute()

    assert table["batch_count"].dropna().unique().tolist() == [41.0]
    assert set(table["burner"].dropna().unique().tolist()) == {True, False}
    assert table["burner"].isna().any()


def test_all_readers_count_the_same(logs: Path) -> None:
    """Rows of the samples: ours, DuckDB's, pandas' and Dask's are one number."""
    import dask.dataframe as dd
    import pandas as pd

    ours = sum(
        len(samples["controller"].records)
        for folder in run_folders(logs)
        for _, samples in ArchivedRun.open(folder).cycles()
    )
    files = sorted(logs.glob("**/samples/controller.parquet"))
    counted = duckdb.sql(f"SELECT count(*) FROM '{logs}/**/samples/controller.parquet'").fetchall()

    assert counted == [(ours,)]
    assert sum(len(pd.read_parquet(path)) for path in files) == ours
    assert len(dd.read_parquet(f"{logs}/**/samples/controller.parquet")) == ours
