"""One imported demo folder for all tests here that only read it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.api.demo import demo_folder


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return demo_folder(tmp_path_factory.mktemp("api") / "backtoback-demo")
