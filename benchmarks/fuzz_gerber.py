"""
Damage Gerber images at random: each is read, or refused with one message, within ten seconds.

Prints how many were read and refused, the commonest refusals and the slowest input. Exit status 1 if anything else
happened. Usage: ``python benchmarks/fuzz_gerber.py [COUNT] [SEED]``.
"""

from __future__ import annotations

import random
import re
import sys
import time
from collections import Counter

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.gerber.image import read_gerber

SLOWEST = 10.0  # s
HEAD = "%FSLAX33Y33*%%MOMM*%\n"
# Invented images that use every command.
SEEDS = (
    HEAD
    + "%TF.FileFunction,Copper,L1,Top*%\n%ADD10C,0.5X0.2*%%ADD11R,2X1*%%ADD12O,3X1*%%ADD13P,2X6X15*%%ADD14C,0.3*%\n"
    "%TO.N,GND*%%TO.P,U1,1,gnd*%D10*X0Y0D03*D11*X5000D03*D12*Y5000D03*%LMX*%%LR30*%%LS1.5*%D13*X0D03*\n"
    "%TD*%%LPC*%D14*X0Y0D02*G01*X9000Y9000D01*G75*G02*X12000Y12000I0J3000D01*%LPD*%G74*G03*X15000Y15000I0J3000D01*M02*",
    HEAD
    + "%AMBOX*0 own*$4=$1x0.5-($2/2)*21,1,$1,$2,$4,0,$3*%\n%AMALL*1,1,1,0,0,0*20,1,0.2,0,0,1,1,45*22,1,1,1,0,0,0*\n"
    "4,1,3,0,0,1,0,1,1,0,0,10*5,0,6,0,0,0.5,0*6,0,0,3,0.2,0.2,3,0.1,3,0*7,0,0,2,1,0.2,30*%\n%ADD10BOX,2X1X30*%%ADD11ALL*%\n"
    "D10*X0Y0D03*D11*X9000D03*%SRX3Y2I4.0J5.0*%D10*X0Y9000D03*%LPC*%D11*X1000D03*%LPD*%%SR*%M02*",
    HEAD + "%TO.N,A*%G36*X0Y0D02*G01*X90000D01*Y90000D01*X0D01*Y5000D01*X3000D01*Y7000D01*X7000D01*Y3000D01*X3000D01*"
    "Y5000D01*X0D01*Y0D01*X5000Y50000D02*G75*G03*X5000Y50000I20000J0D01*G37*\n%LPC*%%ADD10C,2*%D10*X10000Y10000D03*X30000D03*\n"
    "%LPD*%%ABD20*%%ADD11R,1X1*%D11*X0Y0D03*%LPC*%D10*X500D03*%LPD*%%ABD21*%D11*X0Y0D03*X3000D03*%AB*%D21*X0Y0D03*%AB*%\n"
    "%LR45*%D20*X40000Y40000D03*G04 #@! TO.N,B*D11*X50000D03*%IPPOS*%%LNx*%G54D11*G71*M02*",
)
PIECES = (
    *"%*XYIJDGM0123456789-+.$(),/x\x00\n",
    *(
        "D01*",
        "D02*",
        "D03*",
        "G36*",
        "G37*",
        "G74*",
        "G75*",
        "G02*",
        "G03*",
        "G91*",
        "M02*",
        "%SR*%",
        "%AB*%",
        "%ABD22*%",
    ),
    *("%LPC*%", "%LPD*%", "%SRX999Y999I0.01J0.01*%", "%LS9999*%", "%ADD10C,9*%", "X9999999", "99999999999999999999"),
    *(
        "%MOIN*%",
        "%FSTAX66Y66*%",
        "%AMBOX*",
        "$1=$1x$1*",
        "((((((((((",
        "%TO.N,C,D*%",
        "\\u0041",
        "é",
        "%IFx*%",
        "G04 %*",
    ),
)


def damaged(chance: random.Random) -> str:
    """One image with one to four edits: inserted, deleted, repeated, swapped, changed digits."""
    text = chance.choice(SEEDS)
    for _ in range(chance.choice((1, 1, 2, 4))):
        at, length = chance.randrange(len(text)), chance.choice((1, 1, 2, 3, 8, 40))
        kind = chance.choice((0, 0, 1, 2, 3, 4, 4, 4, 4))
        if kind == 0:
            # Between two commands as often as within one.
            at = text.find("*", at) + 1 if chance.random() < 0.5 else at
            text = text[:at] + chance.choice(PIECES) + text[at:]
        elif kind == 1:
            text = text[:at] + text[at + length :]
        elif kind == 2:
            text = text[:at] + text[at : at + length] * chance.randint(2, 30) + text[at + length :]
        elif kind == 3:
            other = chance.randrange(len(text))
            text = text[:at] + text[other : other + length] + text[at + length :]
        else:
            text = (
                text[:at]
                + re.sub(r"\d", lambda _: str(chance.randrange(10)), text[at : at + length])
                + text[at + length :]
            )
        text = text or "*"
    return text if chance.random() < 0.9 else text[: chance.randrange(len(text)) + 1]


def main(count: int, seed: int) -> int:
    """Run and print; 0 if all went as it must."""
    for number, text in enumerate(SEEDS, 1):
        # A seed that is refused as it is tests nothing but its refusal.
        area = sum(shape.area for shape in read_gerber(text, f"seed {number}", Limits()).nets.values())
        print(f"seed {number}: {1e6 * area:.3f} mm2")
    chance = random.Random(seed)
    outcomes: Counter[str] = Counter()
    refusals: Counter[str] = Counter()
    worst, worst_text = 0.0, ""
    for _ in range(count):
        text = damaged(chance)
        start = time.perf_counter()
        try:
            artwork = read_gerber(text, "damaged.gbr", Limits(seconds=5.0))
            outcomes["read, valid" if all(s.is_valid for s in artwork.nets.values()) else "READ, INVALID"] += 1
        except FabricationError as error:
            outcomes["refused"] += 1
            refusals[re.sub(r"'.*?'|[-\d.]+", "_", str(error))[:70]] += 1
        except Exception as error:  # the point of the exercise: nothing else may come out
            outcomes["OTHER EXCEPTION"] += 1
            print(f"{type(error).__name__}: {error}\n  {text!r}")
        taken = time.perf_counter() - start
        if taken > worst:
            worst, worst_text = taken, text
    for name, number in outcomes.most_common():
        print(f"{number:8d}  {name}")
    for name, number in refusals.most_common(12):
        print(f"{number:8d}    {name}")
    print(f"slowest {worst:.2f} s: {worst_text[:300]!r}")
    return int(worst > SLOWEST or any(name.isupper() or "INVALID" in name for name in outcomes))


if __name__ == "__main__":
    given = [int(value) for value in sys.argv[1:3]]
    sys.exit(main(*given, *(10_000, 20_271)[len(given) :]))
