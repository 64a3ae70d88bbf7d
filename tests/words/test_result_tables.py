"""What stands below a table of contributions says why its sums are what they are."""

from dataclasses import replace

import reporting
from returnflow.words.result_tables import contributions_table, traffic_tables
from returnflow_geometry.model.numbers import engineering
from solved import example

SAME = "; the worst case is the same"


def notes(result, budget):
    return " ".join(contributions_table(result, budget).notes)


def test_a_worst_case_that_is_the_rms_sum_says_why():
    result = example("weighing_controller", 0.025)["as drawn"]
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


def test_where_the_doubt_counts_the_worst_case_has_it_too():
    """With an upper bound above it, a worst case without doubts would be less than what the sum may be."""
    result = example("weighing_controller", 0.025)["as drawn"]
    (budget,) = result.sensitive
    for high in (budget.noise, 3 * budget.noise):
        given = replace(budget, limit=10 * budget.noise, high=high, worst_high=4 * budget.noise)
        volts = {str(row[0]): str(row[-2]) for row in contributions_table(result, given).foot}
        if high > budget.noise:
            assert volts["at most"] == engineering(high, "V")
            assert volts["worst case, all in phase, at most"] == engineering(4 * budget.noise, "V")
        else:
            assert volts["worst case, all in phase"] == engineering(budget.worst_case, "V")


def test_shares_say_that_they_are_those_of_0_hz_where_others_are_solved_too():
    alone = reporting.result()
    solved_above = reporting.at_frequencies()["as drawn"].spectral
    steady, both = (traffic_tables(replace(alone, spectral=spectral)) for spectral in (None, solved_above))
    assert len(steady) == len(both) == 2
    for one, other in zip(steady, both, strict=True):
        assert other.title == f"{one.title}, at 0 Hz"
