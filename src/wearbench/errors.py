"""Every error wearbench raises on purpose.

WearbenchError
├── UsageError            the command or call cannot be carried out as given
├── StudyError            study.toml or one of the study's tables is wrong
├── FormatError           one file cannot be read; costs that file only
├── DataError             numbers handed to a function do not fit it
└── CannotTell            the data cannot answer; a result with a reason, not a fault

Each message says what was expected, what came and what to do. ``slug`` leads to the entry in ``docs/messages.md``.
"""

from __future__ import annotations

from typing import Final

__all__ = ["CannotTell", "DataError", "FormatError", "StudyError", "UsageError", "WearbenchError"]


class WearbenchError(Exception):
    """Root of all errors raised on purpose.

    Parameters
    ----------
    message : str
        What was expected, what came, what to do.
    slug : str
        Short name of the kind of error, listed in ``docs/messages.md``.
    file : str or None
        Path of the file concerned, as the person named it.
    line : int or None
        Line or row of the file, counted from 1.
    value : str or None
        The offending value as it stands in the file.
    """

    default_slug: str = "error"

    def __init__(
        self,
        message: str,
        *,
        slug: str | None = None,
        file: str | None = None,
        line: int | None = None,
        value: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message: Final = message
        self.slug: Final = slug or self.default_slug
        self.file: Final = file
        self.line: Final = line
        self.value: Final = value

    def __str__(self) -> str:
        place = "" if self.file is None else self.file
        if self.line is not None:
            place += f":{self.line}" if place else f"line {self.line}"
        return f"{place}: {self.message}" if place else self.message

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.message, self.slug, self.file, self.line, self.value))


def _rebuild(
    kind: type[WearbenchError], message: str, slug: str, file: str | None, line: int | None, value: str | None
) -> WearbenchError:
    return kind(message, slug=slug, file=file, line=line, value=value)


class UsageError(WearbenchError):
    """The command or call cannot be carried out as given."""

    default_slug = "usage"


class StudyError(WearbenchError):
    """study.toml or one of the study's tables is wrong."""

    default_slug = "study"


class FormatError(WearbenchError):
    """One file cannot be read; it costs that file and nothing else."""

    default_slug = "format"


class DataError(WearbenchError):
    """Numbers handed to a function do not fit it."""

    default_slug = "data"


class CannotTell(WearbenchError):  # noqa: N818 - not a fault: the data cannot answer
    """The data cannot answer the question; the message is the reason shown beside the empty value."""

    default_slug = "cannot-tell"
