"""``python -m tests.endurance kills 200``: so many builds killed, with what came of it; ``fuzz 50000``: so many
damaged files read (``--seed N`` the same ones again, ``--keep FOLDER`` those that fail, ``--again FILE`` one of
them once more); ``all``: all there is."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.endurance import fuzz, kills

USUAL_COUNTS = {"kills": 200, "fuzz": 50_000}


def main(words: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.endurance", description=__doc__)
    parser.add_argument("what", nargs="?", choices=[*USUAL_COUNTS, "all"], default="all")
    parser.add_argument("count", nargs="?", type=int)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--keep", type=Path, default=None, metavar="FOLDER")
    parser.add_argument("--again", type=Path, nargs="+", default=(), metavar="FILE")
    given = parser.parse_args(words)
    with tempfile.TemporaryDirectory(prefix="endurance-") as folder:
        for path in given.again:
            outcome = fuzz.again(path, Path(folder))
            print(
                f"{path}: {outcome.signature if outcome.fault else outcome.verdict}\n{outcome.trace}".rstrip()
            )
        if given.again:
            return 0
    faults = 0
    for one in USUAL_COUNTS if given.what == "all" else [given.what]:
        count = given.count if given.count is not None else USUAL_COUNTS[one]
        seed = given.seed if given.seed is not None else fuzz.any_seed()
        tally: kills.Tally | fuzz.Tally
        with tempfile.TemporaryDirectory(prefix="endurance-") as folder:
            if one == "kills":
                tally = kills.run(Path(folder), count, seed=seed, told=kills.told_in_place)
            else:
                tally = fuzz.run(Path(folder), count, seed=seed, keep=given.keep, told=kills.told_in_place)
        print(f"\n{one}: {count} in {tally.seconds:.0f} s, seed {seed}")
        for line in tally.lines():
            print(line)
        faults += len(tally.faults)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
