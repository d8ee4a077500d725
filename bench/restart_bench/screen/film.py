"""An archived run as a film: what its keys do and where it stands. Pure: a film and a key, or a time, in, a film out.

Its time is that of the run, without what lay between two cycles; each cycle is a scene.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from rich.text import Text

from restart_bench.model.clock import NS_PER_MS, NS_PER_S
from restart_bench.model.journal import CycleJudged, Finding, FindingKind
from restart_bench.model.verdicts import Verdict

STEP_NS = 100 * NS_PER_MS
"""How far one step goes; also how long after an instant it can be seen on the picture."""
SLOWEST, FASTEST = 1 / 16, 1024.0


@dataclass(frozen=True, slots=True)
class Scene:
    """One cycle. `cuts` and `failures` are instants to which one can jump."""

    cycle: int
    begins_ns: int
    ends_ns: int
    cuts: tuple[int, ...] = ()
    failures: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Film:
    """Where the film stands. `scenes` are one or more. `said`: what the last key did, if that is not to be seen;
    `without_failure`: what is said where there is no failure to jump to."""

    scenes: tuple[Scene, ...]
    scene: int
    at_ns: int
    speed: float = 1.0
    going: bool = True
    left: bool = False
    said: str = ""
    without_failure: str = "nothing failed in this run"

    @property
    def over(self) -> bool:
        """True at the last picture."""
        return self.scene == len(self.scenes) - 1 and self.at_ns >= self.scenes[-1].ends_ns


def film_of(scenes: Sequence[Scene], speed: float) -> Film:
    """The film at its beginning. Raises ValueError where there is no scene."""
    if not scenes:
        raise ValueError("no scene")
    return Film(tuple(scenes), 0, scenes[0].begins_ns, min(FASTEST, max(SLOWEST, speed)))


def failures_in(judged: CycleJudged, ends_ns: int) -> tuple[tuple[int, Finding], ...]:
    """What failed and when it could first be seen, in that order; where a finding does not tell, at the end of the
    cycle. A cycle that is an error or inconclusive has none."""
    failed = [one for one in judged.findings if one.verdict is Verdict.FAIL and one.kind is not FindingKind.CYCLE]
    return tuple(sorted(((_seen_at(one, judged, ends_ns), one) for one in failed), key=lambda one: one[0]))


def _seen_at(finding: Finding, judged: CycleJudged, ends_ns: int) -> int:
    restored = judged.mark("restored")
    told = [finding.figures[key] for key in ("begun_ns", "found_ns", "delay_ns") if finding.figures.get(key)]
    if restored is None or not told:
        return ends_ns
    return min(ends_ns, restored.not_before_ns + int(told[0][1]))


def advanced(film: Film, elapsed_ns: int) -> Film:
    """The film after so long on the clock of whoever watches. At its end it stands still at the last picture."""
    if not film.going:
        return film
    return _forward(film, round(elapsed_ns * film.speed))


def _forward(film: Film, by_ns: int) -> Film:
    scene, at_ns = film.scene, film.at_ns + by_ns
    while at_ns > film.scenes[scene].ends_ns:
        if scene == len(film.scenes) - 1:
            return replace(film, scene=scene, at_ns=film.scenes[scene].ends_ns, going=False)
        at_ns += film.scenes[scene + 1].begins_ns - film.scenes[scene].ends_ns
        scene += 1
    return replace(film, scene=scene, at_ns=at_ns)


def _back(film: Film, by_ns: int) -> Film:
    scene, at_ns = film.scene, film.at_ns - by_ns
    while at_ns < film.scenes[scene].begins_ns:
        if scene == 0:
            return replace(film, scene=0, at_ns=film.scenes[0].begins_ns)
        at_ns += film.scenes[scene - 1].ends_ns - film.scenes[scene].begins_ns
        scene -= 1
    return replace(film, scene=scene, at_ns=at_ns)


def pressed(film: Film, key: str) -> Film:
    """The film after one key. Steps and jumps leave it standing."""
    film = replace(film, said="")
    does = _KEYS.get(key)
    return does(film) if does is not None else film


def _paused(film: Film) -> Film:
    return replace(film, going=False)


def _turned(film: Film) -> Film:
    """Pause and go on; at the end once more from the beginning."""
    return replace(_begin(film), going=True) if film.over else replace(film, going=not film.going)


def _begin(film: Film) -> Film:
    return replace(film, scene=0, at_ns=film.scenes[0].begins_ns)


def _end(film: Film) -> Film:
    return replace(_paused(film), scene=len(film.scenes) - 1, at_ns=film.scenes[-1].ends_ns)


def _jumped(film: Film, instants_of: Callable[[Scene], Iterable[int]], none: str) -> Film:
    """To the picture that shows the next of these instants, behind the last one to the first."""
    shown = [
        (number, min(scene.ends_ns, instant + STEP_NS))
        for number, scene in enumerate(film.scenes)
        for instant in sorted(instants_of(scene))
    ]
    if not shown:
        return replace(film, said=none)
    place = next((place for place in shown if place > (film.scene, film.at_ns)), None)
    said = "from the beginning again" if place is None else ""
    number, at_ns = place or shown[0]
    return replace(_paused(film), scene=number, at_ns=at_ns, said=said)


_KEYS: dict[str, Callable[[Film], Film]] = {
    " ": _turned,
    "right": lambda film: _forward(_paused(film), STEP_NS),
    "left": lambda film: _back(_paused(film), STEP_NS),
    "c": lambda film: _jumped(film, lambda scene: scene.cuts, "nothing was cut in this run"),
    "f": lambda film: _jumped(film, lambda scene: scene.failures, film.without_failure),
    "home": _begin,
    "b": _begin,
    "end": _end,
    "e": _end,
    "q": lambda film: replace(film, left=True),
    **dict.fromkeys(("+", "="), lambda film: replace(film, speed=min(FASTEST, film.speed * 2))),
    "-": lambda film: replace(film, speed=max(SLOWEST, film.speed / 2)),
}

_WAYS = (
    "Space: pause, go on  arrows: step  + -: faster, slower  c: cut  f: failure  b: begin  e: end  q: quit",
    "Space pause  \u2190\u2192 step  +- speed  c cut  f failure  b begin  e end  q quit",
    "Space pause  \u2190\u2192 step  +- speed  c cut  f failure  q quit",
    "Space pause  arrows step  +- speed  c cut  f fail  q quit",
    "Space pause arrows step +- c cut f fail q quit",
)


def film_line(film: Film, width: int, *, ascii_only: bool = False) -> Text:
    """One line: how it goes, how fast, where it stands, and the keys."""
    scene = film.scenes[film.scene]
    how = "END" if film.over else "PLAY" if film.going else "PAUSE"
    into = f" cycle {scene.cycle}, {(film.at_ns - scene.begins_ns) / NS_PER_S:.1f} s" if width >= 70 else ""
    line = Text(f"{how} x{film.speed:g}{into}", style="bold reverse")
    ways = [one for one in _WAYS if not ascii_only or one.isascii()]
    said = [film.said] if film.said else [one for one in ways if len(one) <= width - line.cell_len - 2] or ways[-1:]
    line.append(f"  {said[0]}", style="not bold not reverse")
    line.truncate(width)
    return line
