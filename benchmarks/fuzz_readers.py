"""
Mutated fabrication files against every reader: nothing but its own error may come out, and nothing may take long.

Claim: of 10 000 mutated inputs every one is read or refused with a `FabricationError`, none takes over 10 s.
Run as ``python benchmarks/fuzz_readers.py``; the exit status is 1 if the claim fails. Inputs that broke a reader are
written to the folder given with ``--keep``. The seed files are invented.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from machine import describe, peak_memory

from returnflow_geometry.fabrication.base.archive import open_files
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.drill.program import looks_like_drill, read_drill
from returnflow_geometry.fabrication.dxf.drawing_file import looks_like_dxf, read_dxf
from returnflow_geometry.fabrication.ipc2581.document import looks_like_ipc2581, read_ipc2581
from returnflow_geometry.fabrication.texts.jobfile import looks_like_job, read_job
from returnflow_geometry.fabrication.texts.netlist import looks_like_netlist, read_netlist

SLOWEST = 10.0  # s
LIMITS = Limits()
Reader = Callable[[bytes], object]

DRILL = b"""M48
; #@! TF.FileFunction,Plated,1,4,PTH
METRIC,TZ,000.000
; #@! TA.AperFunction,Plated,PTH,ViaDrill
T1C0.3
T2C1.0
%
G90
G05
T1
; #@! TO.N,SUPPLY
X1000Y2000
R12X500Y0
X4000Y1000G85X6000
T2
G00X5000Y5000
M15
G01X6000
G02X7000Y6000A1000
G03X8000Y5000I0J-1000
M16
M30
"""
BARE = b"M48\nT1C.02\n%\nT1\nX0125Y0450\nX01Y03\nR3X01\nM30\n"
NETLIST = b"""C  invented
P  UNITS CUST 0
P  NNAME1  A_LONG_NAME_OF_A_NET
317NNAME1           U7    -3    D0300PA00X+012345Y-006789X0400Y0000R000 S0
327SUPPLY           J1    -12         A01X+000345Y+006789X0400Y0200R090 S0
017                                   A02X+000345Y+006789X0400Y0200R090 S0
367                 M1          D1000UA00X+100000Y+006789X0400Y0200R090 S0
999
"""
JOB = json.dumps(
    {
        "GeneralSpecs": {"Size": {"X": 50.0, "Y": "40"}, "LayerNumber": 2, "BoardThickness": 1.6},
        "FilesAttributes": [{"Path": "top.gbr", "FileFunction": "Copper,L1,Top"}],
        "MaterialStackup": [
            {"Type": "Copper", "Thickness": 0.035, "Name": "top"},
            {"Type": "Dielectric", "Thickness": "1.5", "DielectricConstant": "4.3"},
        ],
    },
    indent=1,
).encode()
IPC2581 = b"""<?xml version="1.0"?><IPC-2581 revision="B" xmlns="http://webstds.ipc.org/2581"><Content roleRef="x">
<DictionaryStandard units="INCH"><EntryStandard id="P">
<RectRound width="0.1" height="0.2" radius="0.02"/></EntryStandard>
<EntryStandard id="T"><Thermal shape="ROUND" outerDiameter="0.1" innerDiameter="0.05" gap="0.01"/></EntryStandard>
</DictionaryStandard><DictionaryUser units="MILLIMETER"><EntryUser id="U"><UserSpecial><Circle diameter="1"/>
<UserPrimitiveRef id="V"/></UserSpecial></EntryUser><EntryUser id="V"><Oval width="2" height="1"/></EntryUser>
</DictionaryUser></Content><Ecad name="x"><CadHeader units="MILLIMETER"/><CadData>
<Layer name="top" layerFunction="CONDUCTOR" side="TOP" polarity="POSITIVE"/>
<Layer name="low" layerFunction="PLANE" side="BOTTOM" polarity="NEGATIVE"/>
<Layer name="drill" layerFunction="DRILL" side="ALL"><Span fromLayer="top" toLayer="low"/></Layer>
<Stackup name="s"><StackupGroup name="g"><StackupLayer layerOrGroupRef="top" thickness="0.035" sequence="1"/>
<StackupLayer layerOrGroupRef="low" thickness="0.035" sequence="2"/></StackupGroup></Stackup>
<Step name="b"><Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="9" y="0"/>
<PolyStepCurve x="9" y="4" centerX="9" centerY="2" clockwise="false"/><PolyStepSegment x="0" y="4"/></Polygon></Profile>
<LayerFeature layerRef="top"><Set net="N" polarity="POSITIVE"><Pad><Xform rotation="90"/><Location x="3" y="2"/>
<StandardPrimitiveRef id="P"/><PinRef componentRef="U1" pin="1"/></Pad><Features><Location x="1" y="1"/>
<UserPrimitiveRef id="U"/></Features></Set><Set polarity="NEGATIVE"><Features>
<Line startX="0" startY="0" endX="4" endY="1">
<LineDesc lineEnd="ROUND" lineWidth="0.2"/></Line></Features></Set></LayerFeature><LayerFeature layerRef="low"><Set>
<Pad><Location x="3" y="2"/><StandardPrimitiveRef id="T"/></Pad></Set></LayerFeature><LayerFeature layerRef="drill">
<Set net="N"><Hole diameter="0.3" platingStatus="VIA" x="3" y="2"/>
<SlotCavity platingStatus="PLATED"><Location x="5" y="2"/>
<Oval width="2" height="1"/></SlotCavity></Set></LayerFeature></Step></CadData></Ecad></IPC-2581>
"""
DXF_WORDS = """
0 SECTION 2 HEADER 9 $ACADVER 1 AC1009 9 $INSUNITS 70 4 0 ENDSEC 0 SECTION 2 ENTITIES
0 CIRCLE 8 top 10 5.0 20 5.0 40 2.0 0 LINE 8 side 10 0.0 20 0.0 11 1.0 21 0.0
0 ARC 8 side 10 0.5 20 0.0 40 0.5 50 0.0 51 180.0 0 POLYLINE 8 poly 66 1 70 1
0 VERTEX 8 poly 10 0.0 20 0.0 42 0.5 0 VERTEX 8 poly 10 9.0 20 0.0 0 VERTEX 8 poly 10 9.0 20 9.0 0 SEQEND
0 ENDSEC 0 EOF
"""
DXF = "\n".join(DXF_WORDS.split()).encode()
PIECES = [
    b"0",
    b"-",
    b".",
    b"9999999",
    b"1e308",
    b"nan",
    b"\n",
    b"\0",
    b"\xff",
    b'"',
    b"<a>",
    b"{",
    b"[",
    b"R999999999",
]
PIECES += [b"X", b"G02", b"&a;", b"-0", b"317", b"<!DOCTYPE a>"]


def packed() -> bytes:
    """Zip archive of two small files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a/holes.drl", DRILL)
        archive.writestr("board.ipc", NETLIST)
    return buffer.getvalue()


def readers(folder: Path) -> list[tuple[str, list[bytes], Reader]]:
    """Name, seed files and function of every reader."""

    def archive(data: bytes) -> object:
        path = folder / "mutated.zip"
        path.write_bytes(data)
        return open_files(path, LIMITS)

    return [
        ("drill", [DRILL, BARE], lambda data: (looks_like_drill(data), read_drill(data, "f", LIMITS))),
        ("netlist", [NETLIST], lambda data: (looks_like_netlist(data), read_netlist(data, "f", LIMITS))),
        ("job file", [JOB], lambda data: (looks_like_job(data), read_job(data, "f", LIMITS))),
        ("IPC-2581", [IPC2581], lambda data: (looks_like_ipc2581(data), read_ipc2581(data, "f", LIMITS))),
        ("DXF", [DXF], lambda data: (looks_like_dxf(data), read_dxf(data, "f", LIMITS))),
        ("archive", [packed()], archive),
    ]


def mutated(data: bytes, draw: random.Random) -> bytes:
    """Change one to six things: a byte, a piece put in, a stretch removed or repeated, a digit, the end cut off."""
    raw = bytearray(data)
    for _ in range(draw.choice([1, 1, 1, 2, 3, 6])):
        at = draw.randrange(len(raw) + 1)
        length = min(draw.choice([1, 2, 5, 20, 100]), len(raw) - at)
        kind = draw.randrange(6)
        if kind == 0 and at < len(raw):
            raw[at] = draw.randrange(256)
        elif kind == 1:
            raw[at:at] = draw.choice(PIECES)
        elif kind == 2:
            del raw[at : at + length]
        elif kind == 3:
            raw[at:at] = raw[at : at + length] * draw.choice([1, 1, 1, 50])
        elif kind == 4:
            digits = [k for k, byte in enumerate(raw) if 48 <= byte <= 57]
            if digits:
                raw[draw.choice(digits)] = draw.choice(b"0123456789.-e")
        elif draw.random() < 0.1:
            del raw[at:]
    return bytes(raw)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.strip().splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=58131)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args(argv)
    draw = random.Random(options.seed)
    broken = 0
    print(describe())
    print(f"{'reader':<10} {'inputs':>7} {'read':>7} {'refused':>8} {'broken':>7} {'worst s':>8}")
    with tempfile.TemporaryDirectory() as folder:
        table = readers(Path(folder))
        for name, seeds, read in table:
            counts: Counter[str] = Counter()
            worst = 0.0
            for number in range(-(-options.count // len(table))):
                data = mutated(draw.choice(seeds), draw)
                start = time.perf_counter()
                try:
                    read(data)
                    verdict = "read"
                except FabricationError:
                    verdict = "refused"
                except Exception:  # the very thing looked for
                    verdict = "broken"
                    traceback.print_exc(limit=-3)
                taken = time.perf_counter() - start
                worst = max(worst, taken)
                if taken > SLOWEST:
                    verdict = "broken"
                counts[verdict] += 1
                if verdict == "broken" and options.keep:
                    options.keep.mkdir(parents=True, exist_ok=True)
                    (options.keep / f"{name.replace(' ', '-')}-{number}").write_bytes(data)
            broken += counts["broken"]
            total = sum(counts.values())
            row = f"{total:>7} {counts['read']:>7} {counts['refused']:>8} {counts['broken']:>7} {worst:>8.2f}"
            print(f"{name:<10} {row}", flush=True)
    print(f"peak memory {peak_memory():.0f} MB")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
