"""The demo, analysed once for all tests of this folder."""

from __future__ import annotations

import pytest
from whole_demo import Demo, analysed


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return analysed(tmp_path_factory.mktemp("demo") / "camp")
