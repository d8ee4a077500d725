"""Stories of cycles in which much of the time nothing happens, told at random: what is judged of them may not depend on
whether their samples were condensed."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial

from evidence import MS, OFF, ON, S, Story, dryer, expects, scenario
from restart_bench.condensing import Records, SampleSource
from restart_bench.records import DeviceSamples
from restart_bench.rig import Proof, Rig, Wanted
from restart_bench.scenario import Case, Expectation, Scenario

REGISTERS = 2
"""The request that reads the registers of the controller in these stories."""
PIECE = 700
"""Samples read at a time, so that every story has many pieces."""


def in_pieces(samples: DeviceSamples) -> Iterator[Records]:
    """The samples as a file would give them."""
    for start in range(0, len(samples.records), PIECE):
        yield samples.records[start : start + PIECE]


def sources_of(samples: Mapping[str, DeviceSamples]) -> dict[str, SampleSource]:
    """Where the samples of a cycle lie."""
    return {
        name: SampleSource(one.layout, len(one.records), partial(in_pieces, one), block=128)
        for name, one in samples.items()
    }


def long_story(seed: int) -> Story:
    """A cycle with an off time and a watch of some seconds, with pulses, gaps and troubles anywhere in it."""
    rng = random.Random(seed)
    told = _scenario(rng)
    cut_ns, off_ns = rng.choice([2, 5]) * S, told.cases[0].off_for_ns
    end_ns = cut_ns + off_ns + 600 * MS + told.watch_ns + rng.choice([500 * MS, 3 * S])
    story = Story(rig=_rig(rng), scenario=told, cut_ns=cut_ns, off_ns=off_ns, end_ns=end_ns, seed=seed)
    _restarts(rng, story)
    for name in ("burner_terminal", "fan_terminal", "burner", "fan"):
        if rng.random() < 0.6:
            story.set(name, *_changes(rng, story))
    for _ in range(rng.choice([0, 0, 0, 1, 3])):
        from_ns = rng.randrange(end_ns)
        story.hide(rng.choice(["controller", "independent"]), from_ns, from_ns + rng.choice([15, 60, 200, 1500]) * MS)
    if rng.random() < 0.2:
        story.set("rail", (0, 1), (cut_ns + MS, 0), (rng.randrange(cut_ns + MS, story.back_ns + S), 1))
    if rng.random() < 0.2:
        story.set("guard_closed", (0, 1), (rng.randrange(end_ns), 0))
    if rng.random() < 0.3:
        checked_ns = story.back_ns + 500 * MS + told.watch_ns
        story.step("function check", 0, True, (checked_ns, checked_ns + 150 * MS))
    return story


def _restarts(rng: random.Random, story: Story) -> None:
    """Usually as in every story; else it rides through, restarts late or for the second time, boots with pauses, or
    hangs: the link lives on, and the sign of life stands still."""
    kind = rng.choice(["usual", "usual", "through", "late", "again", "slow", "hangs"])
    if kind in ("through", "late", "hangs"):
        story.never_dark()
    if kind in ("late", "again"):
        again_ns = story.back_ns + rng.choice([700, 1500, 2500]) * MS
        story.stages += [(again_ns, "dark"), (again_ns + 400 * MS, "accepted"), (again_ns + 450 * MS, "good")]
        story.restarts = True
    elif kind == "slow":
        story.boot(dark=300 * MS, refused=rng.choice([100, 900]) * MS, busy=rng.choice([50, 1200]) * MS, stale=400 * MS)
    elif kind == "hangs":
        story.stages.append((rng.randrange(story.cut_ns, story.end_ns), "stale"))


def samples_of(story: Story) -> dict[str, DeviceSamples]:
    """What was read; of a controller without a sign of life no registers, which move all the time."""
    samples = story.samples()
    if story.rig.ready.alive is None:
        one = samples["controller"]
        samples["controller"] = replace(one, records=one.records[one.records["request"] != REGISTERS])
    return samples


def _rig(rng: random.Random) -> Rig:
    if rng.random() < 0.4:
        quiet = dryer().ready
        return dryer(ready=replace(quiet, alive=None), proof_of_cut=(Proof("value", "rail", OFF),))
    if rng.random() < 0.5:
        return dryer()
    return dryer(check_channels=(("always_on", ON),), only_while=(("guard_closed", ON),), program=("program_id",))


def _scenario(rng: random.Random) -> Scenario:
    during = (replace(expects("fan", "is", rng.choice([ON, OFF])), phase="during"),) if rng.random() < 0.5 else ()
    return scenario(
        _expectation(rng, "burner"),
        _expectation(rng, "fan"),
        expects("batch_count", "is", Wanted(as_before=True)),
        during=during,
        cases=(Case("", rng.choice([3, 6, 9]) * S),),
        watch_ns=rng.choice([2, 6]) * S,
        settle_ns=rng.choice([0, 500 * MS]),
        restart=rng.choice(["required", "either", "none"]),
    )


def _expectation(rng: random.Random, name: str) -> Expectation:
    kind = rng.choice(["is", "is", "never", "stays", "returns"])
    changes = {"until": rng.choice(["watch", "command"])}
    if kind in ("never", "stays"):
        changes["longer_than_ns"] = rng.choice([6, 20, 100]) * MS
    elif kind == "is" and rng.random() < 0.5:
        changes |= {"within": rng.choice([(0, 3 * S), (S, 4 * S)]), "start": rng.choice(["restored", "ready", "fan"])}
    wanted = Wanted(as_before=True) if kind == "stays" and rng.random() < 0.5 else rng.choice([ON, OFF])
    return expects(name, kind, wanted, **changes)


def _changes(rng: random.Random, story: Story) -> list[tuple[int, float]]:
    value = float(rng.randrange(2))
    found = [(0, value)]
    for at_ns in sorted(rng.randrange(story.end_ns) for _ in range(rng.randrange(1, 4))):
        value = 1.0 - value
        found.append((at_ns, value))
    if rng.random() < 0.5:
        return [(0, 1.0), (story.cut_ns + 5 * MS, 0.0), *(one for one in found if one[0] > story.back_ns)]
    return found
