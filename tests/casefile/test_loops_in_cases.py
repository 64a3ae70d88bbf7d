"""Loops over several coppers: heights of their routes, and what a sensitive one rejects."""

import copy
import re

import pytest
from test_links_in_cases import BOARD, loop, read, refused

from cases import DELETE, GOOD, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.keys.rejection import read_rejection

# --- routes among several coppers ---------------------------------------------------------------------------


def routed(layer, path, width=0.5):
    return ("loop.0.route", {"layer": layer, "path": path, "width_mm": width})


def test_heights_over_both_coppers_of_a_loop():
    said = read(routed("L1", [[90, 30], [10, 30]])).assumptions
    assert len(said) == 1
    assert said[0] == (
        'Loop "over the bond": its outgoing conductor runs 0.2 mm over the copper "analog" and 0.2 mm over the copper '
        '"power" (between facing surfaces).'
    )
    via = ("link.1", {"name": "via", "between": ["B2", "P1"], "resistance_ohm": 0})
    mixed = ("loop.0", loop("mixed", "A1", "B2", route={"layer": "L3", "path": [[90, 30], [10, 30]]}))
    said = read(via, mixed, ("loop.1", DELETE)).assumptions
    assert '1 mm under the copper "analog" and 0.2 mm over the copper "bottom" (between' in said[1]


def test_a_route_on_other_copper_of_its_layer_is_a_short():
    pour = ("copper.3", {"name": "pour", "layer": "L1", "shape": {"rect": [40, 0, 60, 60]}})
    found = refused(pour, routed("L1", [[90, 30], [10, 30]]))
    assert len(found) == 1, found
    assert re.search(
        r'^loop "over the bond": route.path: lies on the copper "pour" of its own layer "L1"; over 10 mm², such as at '
        r"\(.*, .*\) mm, they would be shorted; route it beside",
        found[0],
    )
    # beside it, or in a slot of it that is wide enough, it is not
    read(("copper.3", pour[1] | {"shape": {"rect": [40, 0, 60, 29]}}), routed("L1", [[90, 30], [10, 30]]))
    slot = {"name": "slot", "copper": "pour", "shape": {"slot": [[39, 30], [61, 30]], "width": 0.6}}
    read(pour, ("cutout", [slot]), routed("L1", [[90, 30], [10, 30]]))
    assert len(refused(pour, ("cutout", [slot]), routed("L1", [[90, 30], [10, 30]], width=0.8))) == 1


def test_a_route_beside_its_own_copper_on_its_layer():
    # The guard strip's pads reach out of it to the trace, which runs beside it.
    guard = {"name": "guard", "layer": "L1", "shape": {"rect": [10, 10, 90, 12]}}
    pads = [
        {"name": "G1", "copper": "guard", "shape": {"rect": [10, 11, 11, 12]}},
        {"name": "G2", "copper": "guard", "shape": {"rect": [89, 11, 90, 12]}},
    ]

    def beside(path):
        trace = {"layer": "L1", "path": path, "width_mm": 0.4}
        return (
            ("copper.3", guard),
            ("terminal", [*BOARD["terminal"], *pads]),
            ("loop.2", loop("guarded", "G1", "G2", route=trace)),
        )

    said = read(*beside([[89.5, 11.5], [89.5, 14], [10.5, 14], [10.5, 11.5]])).assumptions
    assert said == ('Loop "guarded": its outgoing conductor runs beside the copper "guard", on its layer.',)
    found = refused(*beside([[89.5, 11.5], [10.5, 11.5]]))
    assert len(found) == 1
    assert re.search(
        r'route.layer: is "L1", the layer of the copper "guard"; over 30.9 mm², such as at .* would lie in the plane',
        found[0],
    )


# --- rejection ----------------------------------------------------------------------------------------------

GOOD_REJECTIONS = [
    (80, ((1.0, 80.0),)),
    (0.5, ((1.0, 0.5),)),
    ([[50, 90]], ((50.0, 90.0),)),
    ([[50, 90], [1e3, 80], [1e6, 0]], ((50.0, 90.0), (1e3, 80.0), (1e6, 0.0))),
]
BAD_REJECTIONS = [
    (0, r"^x is 0; must be a bare number in decibels, greater than 0 and at most 200"),
    (201, r"at most 200"),
    ("80 dB", r'^x is "80 dB"; .*without quotation marks or unit: 80$'),
    (True, r"^x is true; must be a bare number"),
    (
        [],
        r"^x is \[\]; must be a number of decibels or a list of points \[frequency in hertz, decibels\]; write it",
    ),
    ([50, 80], r"^x is \[50, 80\]; .*; put each point in brackets of its own"),
    ([[0, 80]], r"^x point 1 is \[0, 80\]; must be \[f, dB\], .*greater than 0, and"),
    ([[50, -1]], r"^x point 1 is \[50, -1\]; must be"),
    (
        [[50, 80], [50, 70]],
        r"^x has point 1 at 50 Hz and point 2 at 50 Hz; the frequencies must rise from point to poi",
    ),
    ([[50, 80], [5, 70]], r"must rise"),
    ([[k + 1, 80] for k in range(1001)], r"^x has 1001 points; at most 1000 are read"),
]


@pytest.mark.parametrize(("value", "points"), GOOD_REJECTIONS)
def test_rejections(value, points):
    case = copy.deepcopy(GOOD)
    case["loop"][1]["rejection_dB"] = value
    assert parse_case(text_of(case)).loops[1].rejection == points


@pytest.mark.parametrize(("value", "message"), BAD_REJECTIONS)
def test_bad_rejections(value, message):
    book = Book()
    assert read_rejection(Spot(book, "x", "decibels"), value) is None
    assert len(book.mistakes) == 1
    assert re.search(message, book.mistakes[0]), book.mistakes


def test_a_rejection_belongs_to_a_sensitive_loop():
    case = copy.deepcopy(GOOD)
    case["loop"][0]["rejection_dB"] = 60
    found = mistakes_of(case)
    assert len(found) == 1
    assert 'rejection_dB is given; this key belongs to a loop of role "sensitive"' in found[0]
