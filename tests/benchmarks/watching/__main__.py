"""What watching costs: one command, a table at its end. `python tests/benchmarks/watching [ROW ...] [--short]`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

from cycles import soak
from measuring import Lacking, Row, table
from speed import free_running, many, paced
from starting import starting
from truth import dark_host, true_bounds

ROWS: dict[str, Callable[[bool], list[Row]]] = {
    "free": lambda short: free_running(*((3, 1.0) if short else (7, 3.0))),
    "paced": lambda short: paced(*((3, 4.0) if short else (5, 20.0))),
    "truth": lambda short: true_bounds(12_000 if short else 110_000),
    "many": lambda short: many(32, 50, 5.0 if short else 30.0),
    "soak": lambda short: soak(30 if short else 2_000),
    "dark": lambda short: dark_host(2 if short else 12),
    "start": lambda short: starting(3 if short else 15),
}


def main() -> int:
    """Measure what was asked for; 1 where a goal was missed, 2 where something is not installed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", nargs="*", metavar="ROW", help=f"of {', '.join(ROWS)}; default: all")
    parser.add_argument("--short", action="store_true", help="less time for each measurement")
    asked = parser.parse_args()
    if unknown := set(asked.rows) - set(ROWS):
        parser.error(f"no such row: {', '.join(sorted(unknown))}")
    rows: list[Row] = []
    lacks = False
    for name in asked.rows or ROWS:
        try:
            rows += ROWS[name](asked.short)
        except Lacking as what:
            lacks = True
            rows.append(Row(name, "", f"not measured: {what}"))
    print(table(rows))
    return 1 if any(row.kept is False for row in rows) else 2 if lacks else 0


if __name__ == "__main__":
    sys.exit(main())
