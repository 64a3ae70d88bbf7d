"""The writer of fabrication files that stands beside the examples, for tests."""

import sys
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "examples" / "fabrication"
sys.path.insert(0, str(FOLDER))

from demo_board import demo_board  # noqa: E402
from draft import MM, STACK, Draft  # noqa: E402
from write_files import drill_file, write_gerber_set  # noqa: E402
from write_ipc2581 import write_ipc2581  # noqa: E402

__all__ = ["MM", "STACK", "Draft", "demo_board", "drill_file", "write_gerber_set", "write_ipc2581"]
