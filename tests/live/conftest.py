"""One browser for all tests of the live page, and one board for those of the page of an import."""

import pytest

from livepage import FAB, chromium
from returnflow.live.picking import PickDesk
from returnflow.live.picking_page import picking
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.starter import starter
from returnflow_geometry.fabrication.copper.connectivity import connect


@pytest.fixture(scope="session")
def window():
    with chromium() as found:
        yield found


@pytest.fixture(scope="session")
def imported():
    """Fabrication data of the weighing controller, and what joins what in it."""
    data = from_fabrication(FAB)
    return data, connect(data)


@pytest.fixture
def made(imported, tmp_path):
    """The page of the board, its desk, and the file that it would write."""

    def make(*, replace=False):
        data, connectivity = imported
        case = tmp_path / "picked.toml"
        begun = starter(data, FAB.as_posix(), title="Picked", connectivity=connectivity)
        return *picking(data, connectivity, begun, case, title="Picked", replace=replace), case

    return make


@pytest.fixture
def desk(made) -> PickDesk:
    return made()[1]
