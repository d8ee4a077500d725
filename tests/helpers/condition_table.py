"""Writes the parser's table of conditions anew: `python tests/helpers/condition_table.py`, after every change of its
grammar or of the parser library."""

from __future__ import annotations

import io
import json
import pickle
from pathlib import Path

from lark import Lark

from restart_bench.plc import conditions

PLACE = Path(conditions.__file__).with_name("condition_table.json")


def table() -> str:
    """The file as it has to be."""
    kept = io.BytesIO()
    Lark(conditions.GRAMMAR, parser="lalr", maybe_placeholders=False).save(kept)
    return json.dumps({"made_of": conditions.made_of(), **pickle.loads(kept.getvalue())}) + "\n"


if __name__ == "__main__":
    PLACE.write_text(table(), encoding="utf-8")
