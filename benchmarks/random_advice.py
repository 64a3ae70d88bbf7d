"""
On random boards, nothing is recommended as kept that a solve of its own finds exceeded.

python benchmarks/random_advice.py [BOARDS] [FIRST SEED] [--several]

With `--several` boards have two weak inputs, cables and steady currents; what is recommended together is judged too.
"""

import importlib
import sys
import time
from collections import Counter
from pathlib import Path

import returnflow as rf

sys.path[:0] = [str(Path(__file__).parents[1] / "tests"), str(Path(__file__).parents[1] / "tests" / "advice")]
random_case = importlib.import_module("randomboards").random_case
test_random_advice = importlib.import_module("test_random_advice")
judged, unkept = test_random_advice.judged, test_random_advice.unkept


def several(boards: int, first: int) -> int:
    begin, joint, wrong = time.perf_counter(), 0, []
    for seed in range(first, first + boards):
        case = rf.parse_case(random_case(seed, mains=False, several=True))
        study = rf.run(case, jobs=1)
        joint += len(study.joint)
        wrong += [(seed, words) for words in unkept(case, study)]
        if (seed - first) % 20 == 19:
            print(f"{seed - first + 1} boards, {len(wrong)} wrong, {time.perf_counter() - begin:.0f} s", flush=True)
    print(f"{boards} boards in {time.perf_counter() - begin:.0f} s; something recommended together on {joint}")
    print(f"promises that a finer solve does not keep: {len(wrong)} {wrong}")
    return 1 if wrong else 0


def main(boards: int, first: int) -> int:
    begin, seen, wrong = time.perf_counter(), Counter(), []
    for seed in range(first, first + boards):
        case = rf.parse_case(random_case(seed))
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
    numbers = [int(word) for word in sys.argv[1:] if word != "--several"]
    judge = several if "--several" in sys.argv else main
    sys.exit(judge(*numbers, *(200, 7400)[len(numbers) :]))
