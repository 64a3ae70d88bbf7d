"""
From the case file on disk to the finished study: the example with 300 more antipads, brackets of 1 %.

Once at 0 Hz only (six loops), once as the example stands, with its routes, its clock and all frequencies. Every run is
a fresh process. The true error is that of the resistances, against the same board solved far more accurately.

    python benchmarks/case_to_result.py [--runs 5] [--antipads 300] [--reference 3e-4]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from boards import Task, resistive_only, weighing_controller_with_antipads, worst_error
from machine import describe, peak_memory

import returnflow as rf


def one(path: Path) -> dict[str, Any]:
    """Read and solve one case in this process."""
    begin = time.perf_counter()
    case = rf.read_case(path)
    read = time.perf_counter()
    result = rf.run(case)["as drawn"]
    end = time.perf_counter()
    solution = result.solution
    return {
        "case to study": end - begin,
        "parts": {"reading": read - begin} | {part: s for part, s in result.seconds.items() if part != "total"},
        "memory": peak_memory(),
        "passes": solution.passes,
        "accuracy": case.accuracy,
        "unknowns": solution.space.size,
        "bracket": float(np.max(solution.accuracy_reached())),
        "resistance": solution.mid.tolist(),
    }


def fresh(path: Path) -> dict[str, Any]:
    """`one` in a process of its own, with the wall time of the whole process."""
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, __file__, "--one", str(path)], check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout) | {"whole process": time.perf_counter() - begin}


def with_report(path: Path) -> float:
    """Wall seconds of the command that a user types: start, imports, solving, pictures, report, every file."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "returnflow", "run", str(path), "-o", str(Path(folder) / "report")]
        begin = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        return time.perf_counter() - begin


def measure(text: str, runs: int, reference_accuracy: float) -> None:
    """Print the table of one case."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.toml"
        path.write_text(text, encoding="utf-8")
        fresh(path)  # fills the file caches and the bytecode cache
        rows = [fresh(path) for _ in range(runs)]
        reports = [with_report(path) for _ in range(runs)]
    truth, width = Task.of(text).reference(reference_accuracy)

    show = [("case file to study, in the process", [row["case to study"] for row in rows])]
    show += [("whole process: start, imports, case file to study", [row["whole process"] for row in rows])]
    show += [("whole command: the same, pictures and report written", reports)]
    show += [("  start, imports, exit", [row["whole process"] - row["case to study"] for row in rows])]
    show += [(f"  {part}", [row["parts"][part] for row in rows]) for part in rows[0]["parts"]]
    for label, seconds in show:
        print(f"{label:54} {median(seconds):6.2f}   ({min(seconds):.2f} to {max(seconds):.2f})")
    last = rows[-1]
    for number, (triangles, ratio) in enumerate(last["passes"]):
        print(f"mesh {number + 1}: {triangles} triangles, worst half-width {ratio * last['accuracy']:.2%}")
    print(f"{'unknowns of each side on the last mesh':54} {last['unknowns']:6}")
    print(f"{'peak memory, MB':54} {max(row['memory'] for row in rows):6.0f}")
    print(f"{'worst half-width of the brackets':54} {last['bracket']:6.1e}")
    print(f"{'true error of the worst resistance':54} {worst_error(np.array(last['resistance']), truth):6.1e}")
    print(f"{'worst half-width of the reference':54} {width:6.1e}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--antipads", type=int, default=300)
    parser.add_argument("--reference", type=float, default=3e-4, help="accuracy of the reference solution")
    parser.add_argument("--only", choices=("resistive", "frequencies"), help="one of the two cases")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one)))
        return
    print(describe())
    print(f"{options.antipads} more antipads, brackets of 1 %; seconds, median of {options.runs} processes (range)")
    text = weighing_controller_with_antipads(options.antipads)
    if options.only != "frequencies":
        print("\n0 Hz, six loops\n")
        measure(resistive_only(text), options.runs, options.reference)
    if options.only != "resistive":
        print("\nThe example as it stands: routes, a clock, all frequencies\n")
        measure(text, options.runs, options.reference)


if __name__ == "__main__":
    main()
