"""``python -m tests.endurance kills 200``: so many builds killed, with what came of it; ``all``: all there is."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.endurance import kills

USUAL_COUNTS = {"kills": 200}


def main(words: list[str]) -> int:
    name = words[0] if words else "all"
    if name not in (*USUAL_COUNTS, "all") or len(words) > 2 or (words[1:] and not words[1].isdecimal()):
        print(f"usage: python -m tests.endurance {'|'.join(USUAL_COUNTS)}|all [COUNT]", file=sys.stderr)
        return 2
    faults = 0
    for one in USUAL_COUNTS if name == "all" else [name]:
        count = int(words[1]) if words[1:] else USUAL_COUNTS[one]
        with tempfile.TemporaryDirectory(prefix="endurance-") as folder:
            tally = kills.run(Path(folder), count, seed=time.time_ns() % 2**32, told=kills.told_in_place)
        print(f"\n{one}: {count} in {tally.seconds:.0f} s")
        for line in tally.lines():
            print(line)
        faults += len(tally.faults)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
