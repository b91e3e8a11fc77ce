"""The command line, called in this process as the tests of the commands call it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from wearbench.cli import main


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
