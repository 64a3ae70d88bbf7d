"""What stands below a table of contributions says why its sums are what they are."""

from dataclasses import replace

from returnflow.words.result_tables import contributions_table
from solved import example

SAME = "; the worst case is the same"


def notes(result, budget):
    return " ".join(contributions_table(result, budget).notes)


def test_a_worst_case_that_is_the_rms_sum_says_why():
    result = example("weighing_controller")["as drawn"]
    (budget,) = result.sensitive
    lines = [{part.frequency} for part in budget.contributions if part.in_band]
    assert len(lines) > 1
    assert len(set.union(*lines)) == len(lines), "otherwise the example has changed"
    assert SAME in notes(result, budget)
    # Where they could add, or a rule has added them already, that is told instead.
    assert SAME not in notes(result, replace(budget, worst_case=1.2 * budget.noise))
    assert SAME not in notes(result, replace(budget, adding=("The currents belong together.",)))
    # Nor of a single one.
    assert SAME not in notes(result, replace(budget, contributions=budget.contributions[:1]))
