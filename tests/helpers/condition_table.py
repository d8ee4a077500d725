"""Writes the parser's table of conditions anew: `python tests/helpers/condition_table.py`, after every change of its
grammar or of the parser library."""

from __future__ import annotations

import io
import pickle
import textwrap
from pathlib import Path

from lark import Lark

from restart_bench.plc import conditions

PLACE = Path(conditions.__file__).with_name("condition_table.py")
HEAD = '''\
"""The parser's table of conditions: what the library makes of `conditions.GRAMMAR`, which takes some time.
Written by tests/helpers/condition_table.py."""

from typing import Any

# fmt: off
MADE_OF = {made_of!r}
TABLE: dict[str, Any] = (
{table}
)
'''


def table() -> str:
    """The module as it has to be."""
    kept = io.BytesIO()
    Lark(conditions.GRAMMAR, parser="lalr", maybe_placeholders=False).save(kept)
    text = repr(pickle.loads(kept.getvalue()))
    lines = textwrap.wrap(text, 116, break_long_words=False, break_on_hyphens=False, drop_whitespace=True)
    return HEAD.format(made_of=conditions.made_of(), table=textwrap.indent("\n".join(lines), "    "))


if __name__ == "__main__":
    PLACE.write_text(table(), encoding="utf-8")
