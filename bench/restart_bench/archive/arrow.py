"""pyarrow, which has been told that it needs no pandas here.

Before it takes its first value pyarrow looks for pandas, and to import that costs more than all tables of a run. It
looks once; whoever wants a data frame of a table still gets one.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pyarrow as pa
import pyarrow.parquet as pq

__all__ = ["pa", "pq"]


class _NoPandas:
    """Stands before the finders of modules."""

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Says that there is no pandas, and nothing of other modules."""
        if name == "pandas":
            raise ImportError("not needed", name=name)


@contextmanager
def _without_pandas() -> Iterator[None]:
    finder = _NoPandas()
    sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        sys.meta_path.remove(finder)


with _without_pandas():
    pa.array([0])
