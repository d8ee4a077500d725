"""The grain dryer's own suite, cut down to short times and to pulses that a busy computer does not overlook."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

DRYER = Path(__file__).resolve().parents[2] / "scenarios" / "grain-dryer"
_SHORTER = {
    "rig.yaml": (
        ("watch: 3 s", "watch: 500 ms"),
        ("settle: 500 ms", "settle: 100 ms"),
        ("longer_than: 100 ms", "longer_than: 1 s"),
        ("steady: 300 ms", "steady: 100 ms"),
        ("off_at_least: 2 s", "off_at_least: 400 ms"),
        ("on_at_least: 2 s", "on_at_least: 400 ms"),
        ("poll: 2 ms", "poll: 5 ms"),
        ("answer_within: 50 ms", "answer_within: 300 ms"),
        ("answer_within: 100 ms", "answer_within: 300 ms"),
    ),
    "scenario": (
        ("off_for: 2 s", "off_for: 500 ms"),
        ("within: 3 s", "within: 2 s"),
        ("longer_than: 100 ms", "longer_than: 1 s"),
    ),
}


def write_dryer(folder: Path, scenarios: Collection[str]) -> Path:
    """The rig, both programs and these scenarios in a new folder. Raises AssertionError where the suite has changed
    so that nothing would be shortened."""
    folder.mkdir()
    for name in ("rig.yaml", "program.yaml"):
        _copy(name, folder, _SHORTER.get(name, ()))
    for name in scenarios:
        _copy(f"{name}.yaml", folder, (_SHORTER["scenario"][0],))
        path = folder / f"{name}.yaml"
        text = path.read_text(encoding="utf-8")
        for long, short in _SHORTER["scenario"]:
            text = text.replace(long, short)
        path.write_text(text, encoding="utf-8")
    return folder


def _copy(name: str, folder: Path, shorter: Collection[tuple[str, str]]) -> None:
    text = (DRYER / name).read_text(encoding="utf-8")
    for long, short in shorter:
        assert long in text, (name, long)
        text = text.replace(long, short)
    (folder / name).write_text(text, encoding="utf-8")
