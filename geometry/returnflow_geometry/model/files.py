"""Text files that are written whole or not at all."""

from __future__ import annotations

from pathlib import Path


def write_whole(text: str, path: Path) -> None:
    """Write a file, over an older one if there is one; a failure leaves what was there."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
