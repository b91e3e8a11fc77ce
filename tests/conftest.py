"""What tests share: the command line called in this process.

A check that needs a browser may be skipped at a desk, never in continuous integration.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator
from dataclasses import dataclass

import pytest

from wearbench.cli import main

NEEDED_IN_CI = ("browser", "chromium", "playwright")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and isinstance(report.longrepr, tuple):
        reason = str(report.longrepr[2])
        if any(word in reason.lower() for word in NEEDED_IN_CI):
            report.outcome = "failed"
            report.longrepr = f"skipped although CI is set: {reason}"
    return report


@pytest.fixture(autouse=True, scope="session")
def no_cache_of_a_person(tmp_path_factory: pytest.TempPathFactory) -> Generator[None, None, None]:
    """Results of steps are kept in a folder of the tests, and none is used that an earlier run of them has left."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WEARBENCH_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


@pytest.fixture
def wearbench(capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    """Call the command line in this process."""

    def call(*args: object) -> Done:
        with pytest.raises(SystemExit) as left:
            main([str(arg) for arg in args])
        caught = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return Done(left.value.code, caught.out, caught.err)

    return call
