"""
The weighing controller's trade study: wall time and memory of one run with all variants, without and with pictures.

    python benchmarks/trade_study.py [--pictures]
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from machine import describe, peak_memory

import returnflow as rf
from returnflow.report.files import write_all

EXAMPLE = Path(__file__).parent.parent / "examples" / "weighing_controller.toml"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", action="store_true", help="draw and write everything too")
    arguments = parser.parse_args()
    print(describe())
    begin = time.perf_counter()
    study = rf.run(rf.read_case(EXAMPLE), progress=lambda line: print(f"[{time.perf_counter() - begin:6.1f} s] {line}"))
    solved = time.perf_counter()
    print(f"{len(study.variants)} variants on {os.cpu_count()} cores: {solved - begin:.1f} s")
    for name, result in study.variants.items():
        (budget,) = result.sensitive
        triangles = len(result.spectral.model.system.space.mesh.triangles) if result.spectral else 0
        print(
            f"  {name:32s} {result.seconds['total']:6.1f} s  magnetic mesh {triangles:6d} triangles  "
            f"{1e6 * budget.noise:10.4g} µV  margin {budget.margin_dB:6.1f} dB"
        )
    for decision in study.decisions:
        print(decision.recommendation)
    if arguments.pictures:
        with tempfile.TemporaryDirectory() as directory:
            write_all(study, Path(directory) / "report")
        print(f"pictures and files: {time.perf_counter() - solved:.1f} s")
    print(f"peak memory of this process: {peak_memory():.0f} MB")


if __name__ == "__main__":
    main()
