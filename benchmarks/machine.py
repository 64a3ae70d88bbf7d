"""What a benchmark ran on: processor, cores, versions; and the peak memory of a process."""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path

from returnflow.advice.study import versions


def describe() -> str:
    """One line: processor, cores, versions."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = info.read_text().splitlines()
        model = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model)
    listed = ", ".join(f"{name} {number}" for name, number in versions().items())
    return f"{model}, {os.cpu_count()} cores, {platform.system()}; {listed}"


def peak_memory() -> float:
    """Peak resident memory of this process in megabytes."""
    if sys.platform == "win32":
        import psutil

        return float(psutil.Process().memory_info().peak_wset) / 1e6
    status = Path("/proc/self/status")
    if status.exists():
        # Not from getrusage: there a process starts with the peak of the one that started it.
        lines = status.read_text().splitlines()
        return next(float(line.split()[1]) for line in lines if line.startswith("VmHWM:")) * 1.024e-3
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)
