"""Whatever stands in a file, `check` ends with a plan or with faults that name the file, and never with a traceback."""

from __future__ import annotations

import contextlib
import io
import random
import re
from functools import cache, lru_cache
from pathlib import Path

import pytest
import yaml

from file_mutations import mutated
from restart_bench.cli.main import check
from restart_bench_drivers import registry

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "grain-dryer"
SCENARIOS = sorted(path.name for path in DEMO.glob("*.yaml") if "\nscenario: " in path.read_text(encoding="utf-8"))
PARTS = [0, *(pytest.param(part, marks=pytest.mark.slow) for part in range(1, 16))]
OF_EACH = 125


@cache
def without_comments(name: str) -> str:
    """A file of the demo without its comments: they are no part of what is read, and cost time 2,000 times."""
    lines = (DEMO / name).read_text(encoding="utf-8").splitlines()
    kept = [re.sub(r"(^|\s+)#.*$", "", line) for line in lines]
    return "\n".join(line for line in kept if line.strip()) + "\n"


def checked(folder: Path) -> tuple[int, str]:
    """Exit code of `check` on a folder, and what it says on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said), pytest.raises(SystemExit) as end:
        check([folder], logs=folder / "logs")
    return int(end.value.code or 0), said.getvalue()


@pytest.fixture
def read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What does not change from one call to the next is worked out once: two of three files are as they were, and
    the drivers are always the same. Both are pure, and nobody changes what they give."""
    monkeypatch.setattr(yaml, "compose", lru_cache(16)(yaml.compose))
    monkeypatch.setattr(registry, "cards", lru_cache(1)(registry.cards))


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize("part", PARTS)
def test_no_spoilt_file_ends_in_a_traceback(part: int, tmp_path: Path) -> None:
    """2,000 spoilt rigs, scenarios and programs of the demo, 125 of them in plain pytest: exit 0 or 2, and every fault
    begins with a file's name."""
    dice = random.Random(f"spoilt files, part {part}")
    refused = 0
    for number in range(OF_EACH):
        files = {name: without_comments(name) for name in ("rig.yaml", "program.yaml")}
        files["scenario.yaml"] = without_comments(dice.choice(SCENARIOS))
        victim = dice.choice(list(files))
        for name, text in files.items():
            (tmp_path / name).write_bytes(mutated(text, dice) if name == victim else text.encode())
        code, said = checked(tmp_path)
        spoilt = (tmp_path / victim).read_bytes()
        assert code in (0, 2), (number, victim, spoilt, said)
        assert "Traceback" not in said, (number, victim, spoilt, said)
        if code == 2:
            refused += 1
            lines = [line for line in said.splitlines() if line]
            assert lines, (number, victim, spoilt)
            assert all(line.startswith(str(tmp_path)) for line in lines), (number, victim, spoilt, said)
    assert refused > OF_EACH // 2  # most changes matter
