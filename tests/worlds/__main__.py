"""`python tests/worlds --count 100000`: judges so many random worlds and tells every disagreement with their truth.

`--seed N` begins at another seed, `--processes N` shares them out, `--replay N` tells one world as a story.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
CHUNK = 250


def _chunk(first: int, count: int) -> list[tuple[str, str, str]]:
    """Disagreements of some worlds: sort, what it is about, the whole text."""
    sys.path.insert(0, str(HERE)) if str(HERE) not in sys.path else None
    from holding import finds_of

    found = []
    for seed in range(first, first + count):
        try:
            found += [(one.sort, f"{one.theme}: {one.about}", str(one)) for one in finds_of(seed)]
        except Exception:  # a judge that falls over is a find like any other
            found.append(("fell over", "", f"seed {seed}: {traceback.format_exc()}"))
    return found


def main() -> int:
    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--count", type=int, default=2000)
    told.add_argument("--seed", type=int, default=0)
    told.add_argument("--processes", type=int, default=1)
    told.add_argument("--show", type=int, default=30, help="how many disagreements are told in full")
    told.add_argument("--sort", default="", help="only disagreements of this sort")
    told.add_argument("--replay", type=int, default=None)
    options = told.parse_args()
    if options.replay is not None:
        from holding import story

        print(story(options.replay))
        return 0
    begun = time.monotonic()
    firsts = range(options.seed, options.seed + options.count, CHUNK)
    counts = [min(CHUNK, options.seed + options.count - first) for first in firsts]
    found: list[tuple[str, str, str]] = []
    if options.processes > 1:
        with ProcessPoolExecutor(options.processes) as pool:
            for part in pool.map(_chunk, firsts, counts):
                found += part
    else:
        for first, count in zip(firsts, counts, strict=True):
            found += _chunk(first, count)
    chosen = [one for one in found if options.sort in one[0]]
    for _, _, text in chosen[: options.show]:
        print(text)
    for (sort, about), number in Counter((one[0], one[1]) for one in chosen).most_common(60):
        print(f"{number:6}  {sort}: {about}")
    sorts = Counter(one[0] for one in found)
    took = time.monotonic() - begun
    print(
        f"{options.count} worlds in {took:.1f} s: "
        + (", ".join(f"{n} {s}" for s, n in sorts.items()) or "no disagreement")
    )
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
