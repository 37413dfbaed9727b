"""``python -m tests.bench`` runs every benchmark, ``python -m tests.bench page`` one."""

from __future__ import annotations

import importlib
import pkgutil
import sys
import time

import tests.bench

NOT_BENCHES = {"__main__", "building", "figures"}


def main(wanted: list[str]) -> int:
    names = sorted({module.name for module in pkgutil.iter_modules(tests.bench.__path__)} - NOT_BENCHES)
    unknown = [name for name in wanted if name not in names]
    if unknown:
        print(f"no benchmark {unknown[0]!r}; there are {', '.join(names)}", file=sys.stderr)
        return 2
    for name in wanted or names:
        begun = time.perf_counter()
        print(f"{name}:")
        for figure in importlib.import_module(f"tests.bench.{name}").run():
            print(f"  {figure.line()}", flush=True)
        print(f"  ({time.perf_counter() - begun:.0f} s in all)")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
