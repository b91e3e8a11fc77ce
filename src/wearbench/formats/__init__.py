"""Files to recordings: one module a format, recognised by content, read in stretches, every repair said."""

from wearbench.formats.recording import (
    FileContent,
    Intervals,
    Lap,
    Layout,
    LayoutColumn,
    ReadContext,
    Readings,
    Repair,
    Segment,
    Signal,
)
from wearbench.formats.registry import FORMATS, read_file, recognise

__all__ = [
    "FORMATS",
    "FileContent",
    "Intervals",
    "Lap",
    "Layout",
    "LayoutColumn",
    "ReadContext",
    "Readings",
    "Repair",
    "Segment",
    "Signal",
    "read_file",
    "recognise",
]
