"""One device of a study, as study.toml declares it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Final, Literal, get_args

from wearbench.errors import StudyError
from wearbench.study.checked import Checked
from wearbench.study.problem import listed, near, shown
from wearbench.study.zones import zone_named

__all__ = ["DeviceConfig", "Role", "Stamps", "StandsFor", "read_device", "read_zone"]

Role = Literal["reference", "tested", "context"]
Stamps = Literal["auto", "exact", "second", "arrival"]
StandsFor = Literal["ending", "starting", "centred", "spot"]

ROLES: Final[tuple[Role, ...]] = get_args(Role)
STAMPS: Final[tuple[Stamps, ...]] = get_args(Stamps)
STANDS_FOR: Final[tuple[StandsFor, ...]] = get_args(StandsFor)
RESERVED: Final = ("own", "shared", "_all")


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceConfig:
    """What study.toml says of a device.

    Attributes
    ----------
    name, label : str
        Name in file names and tables; name for readers.
    role : {"reference", "tested", "context"}
    roles : dict
        Quantity -> role, where it differs from ``role``.
    firmware, wear_site, timezone : str or None
    zone : tzinfo or None
        The zone of the device's stamps without offset, if declared for the device itself.
    layout : str or None
        Name of the layout its tables are read with.
    prefer : int or None
        Order among references of one quantity, 1 first.
    clock : str
        ``own``, ``shared`` (the reference's) or the name of the device whose clock it is.
    stamps : {"auto", "exact", "second", "arrival"}
    stands_for : {"ending", "starting", "centred", "spot"}
    averaging_s, delay_s, hold_s : float or None
        None means: to be estimated from the data (``hold_s``: the recorder writes every value).
    """

    name: str
    label: str
    role: Role
    roles: dict[str, Role] = field(default_factory=dict)
    firmware: str | None = None
    wear_site: str | None = None
    timezone: str | None = None
    zone: tzinfo | None = None
    layout: str | None = None
    prefer: int | None = None
    clock: str = "own"
    stamps: Stamps = "auto"
    stands_for: StandsFor = "ending"
    averaging_s: float | None = None
    delay_s: float | None = None
    hold_s: float | None = None

    def role_for(self, quantity: str) -> Role:
        """The device's role for one quantity."""
        return self.roles.get(quantity, self.role)


def read_zone(table: Checked, key: str) -> tuple[str | None, tzinfo | None]:
    """Name and zone under ``key``, both None if the key is missing."""
    name = table.text(key)
    if name is None:
        return None, None
    try:
        return name, zone_named(name)
    except StudyError as error:
        raise table.fail(key, error.message, slug=error.slug) from None


def read_device(
    name: str, table: Checked, *, devices: Collection[str], layouts: Collection[str], quantities: Collection[str]
) -> DeviceConfig:
    """Read ``[devices.<name>]``.

    Parameters
    ----------
    name : str
    table : Checked
    devices, layouts, quantities : collections of str
        Names declared in the study, for the keys that refer to them.

    Raises
    ------
    StudyError
        For an unknown key, a value that does not fit, or a name that is not declared.
    """
    if name in RESERVED:
        raise table.fail("", f"{shown(name)} has a meaning of its own and cannot name a device", slug="bad-name")
    table.need("role", listed(ROLES))
    timezone, zone = read_zone(table, "timezone")
    others = tuple(other for other in devices if other != name)
    device = DeviceConfig(
        name=name,
        label=table.text("label", default=name),
        role=table.choice("role", ROLES, default="tested"),
        roles=_read_roles(table.sub("roles"), quantities),
        firmware=table.text("firmware"),
        wear_site=table.text("wear_site"),
        timezone=timezone,
        zone=zone,
        layout=table.one_of("layout", layouts, what="the name of a layout", slug="unknown-layout"),
        prefer=table.whole("prefer", low=1, high=999),
        clock=table.one_of("clock", ("own", "shared", *others), what="a clock", slug="unknown-device") or "own",
        stamps=table.choice("stamps", STAMPS, default="auto"),
        stands_for=table.choice("stands_for", STANDS_FOR, default="ending"),
        averaging_s=table.number("averaging_s", low=0, high=600),
        delay_s=table.number("delay_s", low=0, high=600),
        hold_s=table.number("hold_s", low=0, high=86_400),
    )
    table.done()
    return device


def _read_roles(table: Checked, quantities: Collection[str]) -> dict[str, Role]:
    roles: dict[str, Role] = {}
    for quantity in table.table:
        if quantity not in quantities:
            said = f"expected a quantity ({listed(quantities)}), got {shown(quantity)}.{near(quantity, quantities)}"
            raise table.fail("", said.removesuffix("."), slug="unknown-quantity")
        roles[quantity] = table.choice(quantity, ROLES, default="tested")
    return roles
