"""What was proven about a part of a program, kept so that it can be proved again by other means."""

from __future__ import annotations

from dataclasses import dataclass

from restart_bench.predict.proving.parts import Part
from restart_bench.predict.proving.reach import Cube


@dataclass(frozen=True, slots=True)
class Proof:
    """One claim that was shown to be impossible. later: in any scan after the first, while the inputs stand still;
    settling, standing: what was taken for granted about it; output: "" where the claim is about everything."""

    restart: str
    start: str
    later: bool
    inputs: str
    settling: tuple[int, int] | None
    standing: bool
    output: str
    claim: str


@dataclass(frozen=True, slots=True)
class Certificate:
    """All that was proven about one part of a program: lemmas about the states before a cut, lemmas about those
    after it (for each restart, start and kind of inputs), and the claims that follow."""

    part: Part
    lemmas: tuple[Cube, ...]
    later: dict[tuple[str, str, str], tuple[Cube, ...]]
    proofs: tuple[Proof, ...]
