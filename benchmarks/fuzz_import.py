"""
Damaged fabrication data through the whole import: read, joined, described, a starter case written, a part taken.

Claim: of 10 000 damaged inputs of all kinds every one is taken or refused with a `FabricationError`, and none takes
over 10 s. Run as ``python benchmarks/fuzz_import.py``; the exit status is 1 if the claim fails. Inputs that broke
something are written to the folder given with ``--keep``. The boards are invented.
"""

from __future__ import annotations

import argparse
import io
import random
import re
import shutil
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
import zipfile
from collections import Counter
from pathlib import Path

from fuzz_gerber import PIECES as GERBER_PIECES
from fuzz_gerber import SEEDS as IMAGES
from fuzz_readers import DRILL, DXF, IPC2581, JOB, NETLIST, mutated
from machine import describe as machine
from machine import peak_memory

from returnflow_geometry.fabrication.base.objects import FabricationError
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.starter import starter_case
from returnflow_geometry.fabrication.board_data.summary import describe
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of
from returnflow_geometry.fabrication.copper.pins import pins_of

EXAMPLES = Path(__file__).parent.parent / "examples" / "fabrication"
SLOWEST = 10.0  # s
Files = dict[str, bytes]
# Where a file falls into lines or commands; a hand drawing into pairs of lines.
FORMS = {".xml": rb"(?<=>)(?=\n?<)", ".dxf": rb"(?<=\n)(?=(?:0|8|10|40|11|42|50|70)\n[^\n]+\n)"}
# Which file or layer is what, where the files do not say.
ROLES = {
    "odd images": {"top.gbr": "L1", "low.gbr": "L2", "edge.gbr": "outline"},
    "DXF": {"top": "L1", "poly": "L2", "side": "outline"},
}


def boards(folder: Path) -> dict[str, list[Files]]:
    """Sets of files by kind; each is a board that can be read as it is."""
    sys.path.insert(0, str(EXAMPLES))
    from draft import Draft
    from write_files import write_gerber_set
    from write_ipc2581 import write_ipc2581

    draft = Draft(20, 16, stack=(0.035, 1.5, 0.035))
    draft.pour(2, "GND", (1, 1, 10, 15))
    draft.pour(2, "AGND", (10, 6, 19, 8))
    draft.pour(1, "GND", (12, 10, 19, 15))
    draft.via("GND", (3, 3), drill=1, pad=1.8, name="J1.1")
    draft.via("GND", (14, 12))
    draft.via("GND", (8, 12))
    draft.pad("U1.2", "GND", 1, (6, 12), (1.5, 0.6))
    draft.track(1, "GND", [(6, 12), (8, 12)], 0.4)
    draft.pad("U1.3", "AGND", 2, (18, 7), (0.8, 0.8))
    draft.hole((17, 3), 2.2)
    draft.hole((5, 8), 1, to=(7, 8), plating="plated")
    data = draft.data()
    sets = []
    for k, attributes in enumerate((True, False)):
        paths = write_gerber_set(data, folder / f"set {k}", attributes=attributes)
        sets.append({path.name: path.read_bytes() for path in paths})
    whole = write_ipc2581(data, folder / "board.xml").read_bytes()
    outline = (folder / "set 0" / "board-outline.gbr").read_bytes()
    # A block aperture that uses itself and a second unit are refused, and hide what else is in that image.
    images = [text.replace("%ABD21*%D20*", "%ABD21*%D11*").replace("*G70*", "*").encode() for text in IMAGES]
    drawn = [
        {"job.gbrjob": JOB, "top.gbr": one, "low.gbr": other, "edge.gbr": outline, **beside}
        for one in images
        for other in images
        for beside in ({}, {"holes.drl": DRILL}, {"board.ipc": NETLIST})
    ]
    return {
        "Gerber set": sets,
        "odd images": drawn,
        "archive": sets,
        "IPC-2581": [{"board.xml": whole}, {"small.xml": b"\n<".join(IPC2581.split(b"<")).strip()}],
        "DXF": [{"hand.dxf": DXF}],
    }


def packed(files: Files) -> bytes:
    """Zip archive of files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def damaged(kind: str, files: Files, draw: random.Random) -> Files:
    """One or two files changed; now and then one is lost or stands under another's name. Archives are packed then."""
    result = dict(files)
    for name in draw.sample(sorted(files), k=min(len(files), draw.choice([1, 1, 1, 2]))):
        # Most changes keep the form of the file, so that they get past its reader.
        form = re.compile(FORMS.get(name[-4:], rb"(?<=[*\n])"))
        result[name] = shuffled(files[name], form, draw) if draw.random() < 0.75 else mutated(files[name], draw)
        if name.endswith(".gbr") and draw.random() < 0.1:
            at = draw.randrange(len(result[name]) + 1)
            result[name] = result[name][:at] + draw.choice(GERBER_PIECES).encode() + result[name][at:]
    if len(files) > 1 and draw.random() < 0.1:
        one, other = draw.sample(sorted(files), k=2)
        if draw.random() < 0.5:
            del result[one]
        else:
            result[one] = files[other]
    if kind == "archive":
        whole = packed(result)
        return {"board.zip": mutated(whole, draw) if draw.random() < 0.3 else whole}
    return result


def shuffled(data: bytes, form: re.Pattern[bytes], draw: random.Random) -> bytes:
    """One to six lines or commands lost, repeated, changed for another, or given other numbers."""
    pieces = form.split(data)
    for _ in range(draw.choice([1, 1, 2, 3, 6])):
        at, other = draw.randrange(len(pieces)), draw.randrange(len(pieces))
        # Elements that stay open after their line are not moved about.
        closed = b"<" not in pieces[at] + pieces[other] or (b"/>" in pieces[at] and b"/>" in pieces[other])
        kind = draw.randrange(6) if closed else 5
        if kind == 0:
            pieces[at] = b""
        elif kind == 1:
            pieces[at] *= draw.choice([2, 2, 3, 40])
        elif kind == 2:
            pieces[at], pieces[other] = pieces[other], pieces[at]
        elif kind == 3:
            pieces[at] += pieces[other]
        else:
            pieces[at] = re.sub(rb"\d+", lambda found: number(found[0], draw), pieces[at])
    return b"".join(pieces)


def number(given: bytes, draw: random.Random) -> bytes:
    """Another number as long as one, or nearly."""
    kind = draw.randrange(8)
    if kind < 4:
        return given
    if kind == 4:
        return b"0" * len(given)
    if kind == 5:
        return given[:-1] + b"%d" % draw.randrange(10)
    if kind == 6:
        return given + b"0"
    return b"".join(b"%d" % draw.randrange(10) for _ in given)


def take_files(kind: str, files: Files, folder: Path, draw: random.Random) -> str:
    """Write files into an emptied folder and take them; what became of them."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    roles = ROLES.get(kind) if draw.random() < 0.9 else None
    return take(folder if len(files) > 1 else folder / next(iter(files)), roles, draw)


def take(path: Path, roles: dict[str, str] | None, draw: random.Random) -> str:
    """
    Take one input through the whole import.

    Raises
    ------
    Exception
        Anything but a `FabricationError`: that is what is looked for.
    """
    try:
        data = from_fabrication(path, table=roles)
        connectivity = connect(data)
        pins = list(pins_of(data))
        asked = draw.sample(pins, k=min(len(pins), 2))
        lines = describe(data, pins=asked, connectivity=connectivity)
        written = tomllib.loads(starter_case(data, path.name, connectivity=connectivity))
    except FabricationError as error:
        return one_line(error)
    assert lines
    assert written["source"] == path.name
    if len(asked) < 2:
        return "read"
    try:
        part = board_of(data, asked, connectivity=connectivity)
    except FabricationError as error:
        one_line(error)
        return "read"
    assert all(copper.shape.is_valid and not copper.shape.is_empty for copper in part.coppers)
    return "part taken"


def one_line(error: FabricationError) -> str:
    """See that a refusal is one line."""
    assert "\n" not in str(error), error
    return "refused"


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.strip().splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=90_417)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args(argv)
    warnings.simplefilter("error")  # a warning of a library is a sign of something not thought of
    draw = random.Random(options.seed)
    broken = 0
    print(machine())
    print(f"{'kind':<12} {'inputs':>7} {'part taken':>11} {'read':>6} {'refused':>8} {'broken':>7} {'worst s':>8}")
    with tempfile.TemporaryDirectory() as scratch:
        table = boards(Path(scratch))
        for kind, seeds in table.items():
            counts: Counter[str] = Counter()
            worst = 0.0
            for number in range(-(-options.count // len(table))):
                files = damaged(kind, draw.choice(seeds), draw)
                place = Path(scratch) / "damaged"
                start = time.perf_counter()
                try:
                    verdict = take_files(kind, files, place, draw)
                except Exception:  # the very thing looked for
                    verdict = "broken"
                    print(f"{kind} {number}:")
                    traceback.print_exc(limit=-3)
                taken = time.perf_counter() - start
                worst = max(worst, taken)
                if taken > SLOWEST:
                    verdict = "broken"
                    print(f"{kind} {number}: {taken:.1f} s")
                counts[verdict] += 1
                if verdict == "broken" and options.keep:
                    shutil.copytree(place, options.keep / f"{kind} {number}", dirs_exist_ok=True)
            broken += counts["broken"]
            row = f"{counts['part taken']:>11} {counts['read']:>6} {counts['refused']:>8} {counts['broken']:>7}"
            print(f"{kind:<12} {sum(counts.values()):>7} {row} {worst:>8.2f}", flush=True)
    print(f"peak memory {peak_memory():.0f} MB")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
