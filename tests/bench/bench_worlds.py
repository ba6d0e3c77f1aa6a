"""How long each invented world takes in memory, from the first dog to the verdict.

    python tests/bench/bench_worlds.py

Wanted: at most 5 s a world.
"""

from __future__ import annotations

import time
from datetime import date

from jobs.demo.in_memory import judge_world

AS_OF = date(2023, 3, 1)


def main() -> None:
    """Print seconds a world, after one run that compiles and imports."""
    judge_world("none", seed=1, as_of=AS_OF)
    for world in ("humidity", "pollen", "none"):
        began = time.perf_counter()
        verdict = judge_world(world, seed=100, as_of=AS_OF)
        seconds = time.perf_counter() - began
        claimed = ", ".join(sorted(verdict.claimed)) or "nothing: cannot be told"
        print(f"{world:9} {seconds:5.1f} s   claimed to drive its flares: {claimed}")


if __name__ == "__main__":
    main()
