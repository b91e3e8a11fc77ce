"""study.toml: what is tested against what, and how its files are read."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Any, Final, get_args

from wearbench.errors import StudyError
from wearbench.formats.recording import Layout, LayoutColumn
from wearbench.quantities import QUANTITIES, Kind, Quantity
from wearbench.settings import Settings
from wearbench.study.checked import Checked, read_toml
from wearbench.study.device import DeviceConfig, Role, read_device, read_zone
from wearbench.study.problem import listed, shown

__all__ = ["CriterionConfig", "StudyConfig", "read_config", "read_layouts", "study_file"]

SCHEMA: Final = 1
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
SHARES: Final = ("min_covered", "max_doubtful", "state_share", "tolerance_share", "affected_probability")


@dataclass(frozen=True, kw_only=True, slots=True)
class CriterionConfig:
    """An acceptance figure of the study's own.

    Met when the statistic stays ``at_most`` and ``at_least``; for every tested device and quantity unless named.
    """

    name: str
    statistic: str
    at_most: float | None = None
    at_least: float | None = None
    device: str | None = None
    quantity: str | None = None
    source: str | None = None

    def terms(self) -> dict[str, Any]:
        """What is kept in decisions.jsonl, so that a figure changed afterwards shows."""
        return {
            key: value
            for key, value in dataclasses.asdict(self).items()
            if value is not None and key not in ("name", "source")
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class StudyConfig:
    """What study.toml says.

    Attributes
    ----------
    schema : int
    title : str
    timezone : str or None
    zone : tzinfo or None
        For stamps without an offset.
    devices : dict of DeviceConfig by name, in the order declared
    layouts : dict of Layout by name
    criteria : tuple of CriterionConfig
    quantities : dict of Quantity by name
        The study's own; ``all_quantities`` adds the built-in ones.
    settings : Settings
        The defaults with the study's overrides.
    """

    schema: int
    title: str
    devices: dict[str, DeviceConfig]
    timezone: str | None = None
    zone: tzinfo | None = None
    layouts: dict[str, Layout] = field(default_factory=dict)
    criteria: tuple[CriterionConfig, ...] = ()
    quantities: dict[str, Quantity] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)

    @property
    def all_quantities(self) -> dict[str, Quantity]:
        """Built-in quantities and the study's own, by name."""
        return {**QUANTITIES, **self.quantities}

    def with_role(self, role: Role, *, quantity: str | None = None) -> tuple[DeviceConfig, ...]:
        """Devices with a role (for one quantity, or as their main role), preferred ones first."""
        found = [d for d in self.devices.values() if role == (d.role if quantity is None else d.role_for(quantity))]
        return tuple(sorted(found, key=lambda device: math.inf if device.prefer is None else device.prefer))


def read_config(path: Path, *, file: str = "study.toml") -> StudyConfig:
    """Read study.toml.

    Parameters
    ----------
    path : Path
    file : str
        The name that messages use.

    Raises
    ------
    StudyError
        Naming file, line, key, what was expected, what came and what is near.
    """
    top = read_toml(path, file=file)
    top.need("schema", str(SCHEMA))
    if top.table["schema"] != SCHEMA or isinstance(top.table["schema"], bool):
        raise top.expected("schema", f"{SCHEMA}, the only version this wearbench reads")
    timezone, zone = read_zone(top, "timezone")
    own = {name: _read_quantity(name, table) for name, table in top.named("quantities", what="quantity").items()}
    known = (*QUANTITIES, *own)
    layouts = read_layouts(top, known)
    tables = top.named("devices", what="device")
    if not tables:
        raise top.fail("", "expected at least one table [devices.<name>] with a role, found none", slug="missing-key")
    devices = {
        name: read_device(name, table, devices=tables, layouts=layouts, quantities=known)
        for name, table in tables.items()
    }
    _refuse_clock_loops(devices, tables)
    config = StudyConfig(
        schema=SCHEMA,
        title=top.text("title", default=path.resolve().parent.name),
        timezone=timezone,
        zone=zone,
        devices=devices,
        layouts=layouts,
        criteria=tuple(
            _read_criterion(name, table, devices, known)
            for name, table in top.named("criteria", what="criterion").items()
        ),
        quantities=own,
        settings=_read_settings(top.sub("settings")),
    )
    top.done()
    return config


def _read_quantity(name: str, table: Checked) -> Quantity:
    if name in QUANTITIES:
        raise table.fail("", f"{shown(name)} is built in; give your own quantity another name", slug="bad-name")
    table.need("unit", 'such as "l/min"')
    low, high = _read_range(table)
    log = table.flag("log") or False
    if log and low < 0:
        raise table.fail(
            "log", f"a quantity on a log scale cannot be negative, range starts at {low:g}", slug="bad-range"
        )
    quantity = Quantity(
        name=name,
        label=name.replace("_", " "),
        unit=table.text("unit", default=""),
        kind=table.choice("kind", KINDS, default="level"),
        low=low,
        high=high,
        formed_from=(name,),
        log_scale=log,
    )
    table.done()
    return quantity


def _read_range(table: Checked) -> tuple[float, float]:
    if not table.has("range"):
        return -math.inf, math.inf
    value = table.table["range"]
    numbers = (
        [v for v in value if isinstance(v, (int, float)) and not isinstance(v, bool)] if isinstance(value, list) else []
    )
    if len(numbers) != 2 or len(value) != 2 or not numbers[0] < numbers[1]:
        raise table.expected("range", "two numbers, the lower first ([0, 30])")
    return float(numbers[0]), float(numbers[1])


def read_layouts(top: Checked, known: tuple[str, ...]) -> dict[str, Layout]:
    """Every ``[layouts.<name>]`` of a table, by name; ``known`` are the quantities a column may hold."""
    return {name: _read_layout(table, known) for name, table in top.named("layouts", what="layout").items()}


def _read_layout(table: Checked, known: tuple[str, ...]) -> Layout:
    layout = Layout(
        time=table.texts("time"),
        time_format=table.text("time_format", default="auto"),
        start=table.text("start"),
        start_column=table.text("start_column"),
        decimal=table.choice("decimal", (".", ",")),
        delimiter=_read_delimiter(table),
        skip_rows=table.whole("skip_rows", low=0, high=100_000) or 0,
        columns=_read_columns(table.sub("columns"), known),
    )
    if layout.start is not None and layout.start_column is not None:
        raise table.fail("start_column", "expected start or start_column, got both", slug="two-starts")
    table.done()
    return layout


def _read_delimiter(table: Checked) -> str:
    value = table.table.get("delimiter") if table.has("delimiter") else "auto"
    if value == "auto" or (isinstance(value, str) and len(value) == 1 and value not in "\r\n\"'"):
        return str(value)
    raise table.expected("delimiter", '"auto" or one character (";", "\\t")')


def _read_columns(table: Checked, known: tuple[str, ...]) -> dict[str, LayoutColumn]:
    columns: dict[str, LayoutColumn] = {}
    for heading, value in table.table.items():
        if isinstance(value, dict):
            column = table.sub(heading)
            column.need("quantity", "what the column holds")
            quantity = column.one_of("quantity", known, what="a quantity", slug="unknown-quantity") or ""
            columns[heading] = LayoutColumn(
                quantity=quantity, unit=column.text("unit"), missing=column.texts("missing")
            )
            column.done()
        else:
            quantity = table.one_of(heading, known, what="a quantity", slug="unknown-quantity") or ""
            columns[heading] = LayoutColumn(quantity=quantity)
    return columns


def _read_criterion(
    name: str, table: Checked, devices: dict[str, DeviceConfig], known: tuple[str, ...]
) -> CriterionConfig:
    table.need("statistic", 'such as "mape"')
    criterion = CriterionConfig(
        name=name,
        statistic=table.text("statistic", default=""),
        at_most=table.number("at_most", low=-math.inf, high=math.inf),
        at_least=table.number("at_least", low=-math.inf, high=math.inf),
        device=table.one_of("device", devices, what="a device of this study", slug="unknown-device"),
        quantity=table.one_of("quantity", known, what="a quantity", slug="unknown-quantity"),
        source=table.text("source"),
    )
    if criterion.at_most is None and criterion.at_least is None:
        raise table.fail("", "expected a key at_most or at_least, found neither", slug="missing-key")
    table.done()
    return criterion


def _read_settings(table: Checked) -> Settings:
    changed: dict[str, float | int | str] = {}
    for setting in dataclasses.fields(Settings):
        high = 1.0 if setting.name in SHARES else 0.999999 if setting.name == "confidence" else math.inf
        value: float | int | str | None
        if setting.metadata["choices"]:
            value = table.choice(setting.name, setting.metadata["choices"])
        elif isinstance(setting.default, bool):
            value = table.flag(setting.name)
        elif isinstance(setting.default, int):
            value = table.whole(setting.name, low=0, high=2**53)
        else:
            value = table.number(setting.name, low=0.0, high=high)
        if value is not None:
            changed[setting.name] = value
    table.done()
    return dataclasses.replace(Settings(), **changed)  # type: ignore[arg-type]


def _refuse_clock_loops(devices: dict[str, DeviceConfig], tables: dict[str, Checked]) -> None:
    for name in devices:
        walked = [name]
        while (owner := devices[walked[-1]].clock) in devices:
            if owner in walked:
                chain = listed([*walked, owner], word="->").replace(",", " ->")
                said = f"expected clocks that end at a device with its own, got a circle: {chain}"
                raise tables[name].fail("clock", said, slug="clock-circle")
            walked.append(owner)


def study_file(folder: Path) -> Path:
    """Path of a study's study.toml.

    Raises
    ------
    StudyError
        If the folder or the file is not there.
    """
    path = folder / "study.toml"
    if not folder.is_dir():
        raise StudyError("expected the folder of a study, found none", slug="study-missing", file=str(folder))
    if not path.is_file():
        raise StudyError(
            "expected a file study.toml in this folder, found none. Make one with: wearbench new FOLDER",
            slug="study-missing",
            file=str(folder),
        )
    return path
