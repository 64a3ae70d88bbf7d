"""Print every dependency, and those of the extras named, pinned to the lowest version that pyproject.toml allows."""

import re
import sys
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
extras = [project["optional-dependencies"][name] for name in sys.argv[1:]]
wanted = sum(extras, project["dependencies"])
for each in wanted:
    bounded = re.match(r"([\w-]+)>=([\d.]+)", each)
    if bounded is None:
        sys.exit(f"{each}: no lower bound to check. Write it as name>=version.")
    sys.stdout.write(f"{bounded[1]}=={bounded[2]}\n")
