"""`make bench`: every row measured side by side in one run, as a table and as build/bench.json.

A file `bench_*.py` here has a function `rows(folder)` that returns a list of `row.Row`; `folder` is a
temporary folder it may write into. Figures are ratios or bounds, so that they mean the same on any machine.
"""

import argparse
import importlib
import json
import platform
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]


def main():
    """Run the chosen benches, print the table, write the JSON; exit status 1 when an aim is missed."""
    names = sorted(path.stem for path in HERE.glob("bench_*.py"))
    parser = argparse.ArgumentParser(description="Measure ratios side by side.")
    parser.add_argument("only", nargs="*", help=f"some of: {' '.join(names)} (default: all)")
    parser.add_argument("--out", type=Path, default=HERE.parents[1] / "build" / "bench.json")
    arguments = parser.parse_args()
    unknown = sorted(set(arguments.only) - set(names))
    if unknown:
        parser.error(f"{unknown[0]}: there is no such bench")
    found = []
    for name in arguments.only or names:
        with tempfile.TemporaryDirectory(prefix="skidwright-bench-") as folder:
            for row in importlib.import_module(name).rows(Path(folder)):
                found.append(row)
                word = {None: "      ", True: "met   ", False: "MISSED"}[row.met]
                aim = f"(aim {row.aim})" if row.aim else ""
                print(f"{word} {row.value:8.2f} {row.unit:9}{aim:13} {row.name}", flush=True)
                if row.note:
                    print(f"{'':40}{row.note}", flush=True)
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    machine = {
        "python": platform.python_version(),
        "machine": platform.machine(),
        "system": platform.system(),
    }
    table = [{**asdict(row), "met": row.met} for row in found]
    arguments.out.write_text(json.dumps({"machine": machine, "rows": table}, indent=2) + "\n")
    print(f"written to {arguments.out}")
    return 1 if any(row.met is False for row in found) else 0


if __name__ == "__main__":
    sys.exit(main())
