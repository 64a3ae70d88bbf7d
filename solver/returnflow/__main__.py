"""``python -m returnflow``."""

from returnflow.cli import entry

if __name__ == "__main__":
    entry()
