"""Shapes that the geometry library refuses are mended, or refused with what and where they are."""

import pytest
import shapely
from shapely import MultiPolygon, box

from cases import edited, text_of
from returnflow_geometry.casefile.read import CaseError, parse_case
from returnflow_geometry.fabrication.base.budget import shapes_of as files_shapes
from returnflow_geometry.fabrication.base.objects import FabricationError
from returnflow_geometry.model.overlay import combined, union

NESTED = MultiPolygon([box(0, 0, 3, 3), box(1, 1, 2, 2)])  # what some outlines of copper are


class TestMended:
    @pytest.mark.parametrize(
        ("operation", "area"), [(shapely.difference, 5.0), (shapely.intersection, 4.0), (shapely.union, 9.0)]
    )
    def test_a_piece_inside_another(self, operation, area):  # closed form
        with pytest.raises(shapely.errors.GEOSException):
            operation(NESTED, box(0, 0, 2, 2))
        assert combined(operation, NESTED, box(0, 0, 2, 2)).area == area

    def test_in_a_list_of_shapes(self):
        crossing = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])  # a bow tie, half of its box
        assert union([crossing, box(5, 5, 6, 6), NESTED]).area == pytest.approx(10, abs=1e-6)


class TestRefused:
    @pytest.fixture
    def broken(self, monkeypatch):
        whole = shapely.difference

        def fails(*shapes, grid_size=None):
            if grid_size is None and shapes[0] is not NESTED:
                return whole(*shapes)
            message = "TopologyException: side location conflict at 0.02 0.01. This can occur if the input is invalid"
            raise shapely.errors.GEOSException(message)

        monkeypatch.setattr(shapely, "difference", fails)

    def test_a_case_is_refused_by_name_and_place(self, broken):
        with pytest.raises(CaseError) as caught:
            parse_case(text_of(edited(("cutout.0.shape.width", 0.512345))))  # no board that is known already
        assert str(caught.value).startswith('copper "ground": its shapes cannot be combined at (20, 10) mm')

    def test_a_file_by_its_name(self, broken):
        with (
            pytest.raises(FabricationError, match=r"top\.gbr: its .* at \(20, 10\) mm"),
            files_shapes("top.gbr"),
        ):
            combined(shapely.difference, NESTED, box(0, 0, 1, 1))
