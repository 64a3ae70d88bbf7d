"""
On random boards, nothing is recommended as kept that a solve of its own finds exceeded.

python benchmarks/random_advice.py [BOARDS] [FIRST SEED]
"""

import importlib
import sys
import time
from collections import Counter
from pathlib import Path

import returnflow as rf

sys.path[:0] = [str(Path(__file__).parents[1] / "tests"), str(Path(__file__).parents[1] / "tests" / "advice")]
random_case = importlib.import_module("randomboards").random_case
judged = importlib.import_module("test_random_advice").judged


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
    sys.exit(main(int((sys.argv[1:] or ["200"])[0]), int((sys.argv[2:] or ["7400"])[0])))
