"""Where topology says that nothing couples, nothing is reported: not rounding, and no bracket that excludes zero."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from layered import case, loop, pad, solved, strip, via
from returnflow.resistive.topology import Topology


def grounds(tie=1e-3, loops=None):
    """Two separate grounds joined by one tie, a loop on each."""
    coppers = [strip("left", "L1", 0, 10, width=7.0), strip("right", "L1", 12, 23, width=9.0)]
    terminals = [
        pad("A1", "left", 1.3, 1.1), pad("A2", "left", 7.7, 5.2), pad("A3", "left", 9.1, 2.9),
        pad("B1", "right", 14.2, 7.9), pad("B2", "right", 20.3, 1.7), pad("B3", "right", 13.1, 3.3),
    ]  # fmt: skip
    loops = loops or [loop("a", "A1", "A2"), loop("b", "B1", "B2")]
    return solved(case(coppers, terminals, [via("tie", "A3", "B3", tie)], loops, layers=1, thickness=(35e-6,)))


def test_separate_grounds_with_one_tie_couple_exactly_nothing():
    solution = grounds()
    assert solution.mid[0, 1] == solution.mid[1, 0] == 0.0
    assert solution.half_width[0, 1] == 0.0
    assert np.all(np.diag(solution.mid) > 0)


def test_what_crosses_the_tie_couples_on_both_sides_and_in_the_tie():
    across, left = loop("across", "A1", "B2"), loop("left", "A2", "A1")
    solution = grounds(loops=[across, left])
    assert abs(solution.mid[0, 1]) > 1e3 * solution.half_width[0, 1] > 0


def test_two_loops_across_the_tie_share_its_resistance():
    # Closed form: the tie is in series with both, whatever the copper does.
    loops = [loop("one", "A1", "B2"), loop("two", "A2", "B1")]
    small, large = (grounds(tie=r, loops=loops).mid[0, 1] for r in (1e-3, 1e-2))
    assert large - small == pytest.approx(9e-3, rel=1e-6)


def test_no_bracket_is_narrower_than_rounding():
    solution = grounds()
    own = np.diag(solution.mid)
    assert np.all(np.diag(solution.half_width) >= 1e-12 * own)


@given(st.integers(2, 9), st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), max_size=14))
def test_a_link_is_the_only_way_where_taking_it_out_parts_what_it_joins(count, pairs):
    # The definition itself, link by link, on random graphs of conductors.
    ends = np.array([pair for pair in pairs if pair[0] != pair[1] and max(pair) < count], dtype=int).reshape(-1, 2)
    topology = object.__new__(Topology)
    topology.__dict__.update(unlinked=np.arange(count), links=ends)

    def pieces(keep):
        graph = coo_array((np.ones(keep.sum()), ends[keep].T), shape=(count, count))
        return connected_components(graph, directed=False)[0]

    whole = pieces(np.ones(len(ends), dtype=bool))
    parted = [pieces(np.arange(len(ends)) != n) > whole for n in range(len(ends))]
    assert topology.single.tolist() == parted
