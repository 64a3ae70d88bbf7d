"""
On random boards, nothing is recommended as kept that a solve of its own finds exceeded.

python benchmarks/random_advice.py [BOARDS] [FIRST SEED] [--several] [--mains] [--accuracy 0.05]

With `--several` boards have two weak inputs, cables and steady currents; what is recommended together is judged too;
with `--mains` some currents of them alternate. At an accuracy below 0.05 boards are tried on one mesh first.
"""

import argparse
import importlib
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import returnflow as rf

sys.path[:0] = [str(Path(__file__).parents[1] / "tests"), str(Path(__file__).parents[1] / "tests" / "advice")]
random_case = importlib.import_module("randomboards").random_case
test_random_advice = importlib.import_module("test_random_advice")
judged, unkept = test_random_advice.judged, test_random_advice.unkept


def several(boards: int, first: int, accuracy: float, *, mains: bool) -> int:
    begin, joint, wrong = time.perf_counter(), 0, []
    for seed in range(first, first + boards):
        case = replace(rf.parse_case(random_case(seed, mains=mains, several=True)), accuracy=accuracy)
        study = rf.run(case, jobs=1)
        joint += len(study.joint)
        wrong += [(seed, words) for words in unkept(case, study)]
        if (seed - first) % 20 == 19:
            print(f"{seed - first + 1} boards, {len(wrong)} wrong, {time.perf_counter() - begin:.0f} s", flush=True)
    print(f"{boards} boards in {time.perf_counter() - begin:.0f} s; something recommended together on {joint}")
    print(f"promises that a finer solve does not keep: {len(wrong)} {wrong}")
    return 1 if wrong else 0


def main(boards: int, first: int, accuracy: float) -> int:
    begin, seen, wrong = time.perf_counter(), Counter(), []
    for seed in range(first, first + boards):
        case = replace(rf.parse_case(random_case(seed)), accuracy=accuracy)
        study = rf.run(case, jobs=1)
        (decision,) = study.decisions
        verdict = judged(case, decision, study)
        kind = "tolerable" if decision.tolerable else "nothing" if decision.chosen is None else decision.chosen.kind
        seen[kind] += 1
        if verdict not in (None, "kept"):
            wrong.append((seed, decision.chosen.title, verdict))
        if (seed - first) % 20 == 19:
            print(f"{seed - first + 1} boards, {len(wrong)} wrong, {time.perf_counter() - begin:.0f} s", flush=True)
    print(f"{boards} boards in {time.perf_counter() - begin:.0f} s; recommended: {dict(seen.most_common())}")
    print(f"promises that a finer solve does not keep: {len(wrong)} {wrong}")
    return 1 if wrong else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("boards", type=int, nargs="?", default=200)
    parser.add_argument("first", type=int, nargs="?", default=7400)
    parser.add_argument("--several", action="store_true")
    parser.add_argument("--mains", action="store_true")
    parser.add_argument("--accuracy", type=float, default=0.05)
    asked = parser.parse_args()
    if asked.several:
        sys.exit(several(asked.boards, asked.first, asked.accuracy, mains=asked.mains))
    sys.exit(main(asked.boards, asked.first, asked.accuracy))
