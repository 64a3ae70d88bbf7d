"""What ends the process that it runs in: apart from tests, so that a process begun anew loads only what it needs."""

from __future__ import annotations

import os
from pathlib import Path


def ends(mark: Path, name: str, this: str, case: object, solved: object) -> str:
    """Answer with the name, but for one case: its process is ended (once, where the mark can be left)."""
    if this == name and not mark.exists():
        if mark.name != "none":
            mark.touch()
        os._exit(9)
    return this
