"""Throws bytes at each target with atheris: `python tests/fault/fuzz.py --minutes 2`.

Time is shared out among the targets. An input that breaks something is kept as a file under
`tests/fault/kept/<target>/`, where `test_fuzz.py` tries it ever after.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent


def fuzz_one(name: str, arguments: list[str]) -> None:
    """Fuzz one target in this process; atheris never returns."""
    import atheris
    import numpy  # noqa: F401  (not to be instrumented)

    with atheris.instrument_imports(include=["skidwright", "skidboard", "tomllib", "json"]):
        import fuzz_targets
    atheris.Setup([sys.argv[0], *arguments], fuzz_targets.TARGETS[name])
    atheris.Fuzz()


def main() -> int:
    """All targets, one after the other; 1 when one of them broke."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    try:
        import atheris  # noqa: F401
    except ImportError:
        print(
            "fuzz: skipped, atheris cannot be installed here (it needs Linux or macOS, CPython 3.11 to 3.13)"
        )
        return 0
    from fuzz_targets import KEPT, TARGETS, clean_up, seeds

    names = [options.only] if options.only else list(TARGETS)
    seconds = max(2, round(options.minutes * 60 / len(names)))
    broken = []
    for name in names:
        kept = KEPT / name
        kept.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory() as corpus:
            for i, seed in enumerate(seeds(name)):
                (Path(corpus) / f"seed{i}").write_bytes(seed)
            command = [sys.executable, __file__, "--target", name, corpus, str(kept),
                       f"-max_total_time={seconds}", "-timeout=20", "-rss_limit_mb=1500", "-max_len=9000",
                       f"-artifact_prefix={kept}/"]  # fmt: skip
            done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        lines = [line for line in done.stderr.splitlines() if line.startswith(("#", "Done", "stat"))]
        tried = next((line for line in reversed(lines) if line.startswith(("Done", "#"))), "nothing")
        print(f"{name}: {tried.strip()}", flush=True)
        if done.returncode or tried == "nothing":
            broken.append(name)
            print(done.stdout[-2000:] + done.stderr[-2000:])
        if not any(kept.iterdir()):
            kept.rmdir()
    clean_up()
    print(f"fuzz: {len(names)} targets, {seconds} s each, {len(broken)} broke: {', '.join(broken) or 'none'}")
    return 1 if broken else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--target"]:
        fuzz_one(sys.argv[2], sys.argv[3:])
    else:
        sys.exit(main())
