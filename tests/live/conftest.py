"""One browser for all tests of the live page."""

import pytest

from livepage import chromium


@pytest.fixture(scope="session")
def window():
    with chromium() as found:
        yield found
