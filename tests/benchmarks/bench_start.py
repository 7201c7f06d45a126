"""Start-up: CPU time of commands that look something up, beside importing pandas.

Run by hand: `python tests/benchmarks/bench_start.py`.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
PRESSRIG = str(Path(sys.executable).with_name("pressrig"))
EXAMPLE = str(ROOT / "captures" / "example-F-90-001")
RUNS = 5

WORDS = {
    "python -c 'import pandas'": [sys.executable, "-c", "import pandas"],
    "pressrig --help": [PRESSRIG, "--help"],
    "pressrig status": [PRESSRIG, "status"],
    "pressrig captures": [PRESSRIG, "captures", str(ROOT / "captures")],
    "pressrig show": [PRESSRIG, "show", EXAMPLE],
    "pressrig analyse, kept": [PRESSRIG, "analyse", EXAMPLE],
    "pressrig analyse --fresh": [PRESSRIG, "analyse", EXAMPLE, "--fresh"],
}


def cpu_s(words: list[str]) -> float:
    """CPU time in s of a command, whatever it answers."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return used.ru_utime + used.ru_stime


def main() -> None:
    # as it is installed: where Python keeps no bytecode, each start compiles the program anew
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    found = {name: median(cpu_s(words) for _ in range(RUNS)) for name, words in WORDS.items()}
    plain_s = next(iter(found.values()))
    for name, taken_s in found.items():
        print(f"{name:28s} {taken_s:6.2f} s CPU, {taken_s / plain_s:5.2f} times importing pandas")


if __name__ == "__main__":
    main()
