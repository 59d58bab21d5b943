"""How much longer than bare Python `--version` and `--help` take: medians of alternated runs, in milliseconds.

.venv/bin/python tests/benchmarks/start_up.py
"""

import statistics
import subprocess
import sys
import time
from pathlib import Path

RUNS = 20


def milliseconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return (time.perf_counter() - began) * 1000


def main() -> None:
    tallywell = str(Path(sys.executable).parent / "tallywell")
    commands = {
        "bare": [sys.executable, "-c", "pass"],
        "--version": [tallywell, "--version"],
        "--help": [tallywell, "--help"],
    }
    for command in commands.values():
        milliseconds(command)  # the first run fills the caches
    turns = [{name: milliseconds(command) for name, command in commands.items()} for _ in range(RUNS)]
    bare = statistics.median(turn["bare"] for turn in turns)
    print(f"bare Python        {bare:6.1f} ms (median of {RUNS})")
    for name in ("--version", "--help"):
        over = statistics.median(turn[name] - turn["bare"] for turn in turns)
        print(f"tallywell {name:<9}{over:+6.1f} ms over bare, {1 + over / bare:.2f} x")


if __name__ == "__main__":
    main()
