from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from wearbench.errors import StudyError
from wearbench.formats.recording import Layout, LayoutColumn
from wearbench.settings import Settings
from wearbench.study import CriterionConfig, load_study, read_config

TOP = 'schema = 1\n[devices.patch]\nrole = "reference"\n[devices.band]\nrole = "tested"\n'
ROLES = '"reference", "tested" or "context"'
QUANTITIES = '"heart_rate", "rr", "ecg", "cadence", "power", "speed", "spo2", "respiration_rate" or "steps"'


def read(tmp_path: Path, text: str):
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_config(path)


def test_every_key_is_read(tmp_path: Path):
    config = read(
        tmp_path,
        """
schema = 1
title = "Stairs"
timezone = "Europe/Oslo"

[devices.patch]
role = "reference"
prefer = 2

[devices.strap]
role = "reference"
prefer = 1

[devices.pod]
role = "context"
clock = "patch"

[devices.band]
role = "tested"
label = "Wrist band"
roles.cadence = "context"
firmware = "2.1"
wear_site = "left wrist"
timezone = "+01:30"
layout = "wrist"
clock = "shared"
stamps = "second"
stands_for = "centred"
averaging_s = 5
delay_s = 2.5
hold_s = 60

[layouts.wrist]
time = ["date", "time"]
time_format = "%d.%m.%Y %H:%M:%S"
start = "2031-05-01T09:00:00"
decimal = ","
delimiter = ";"
skip_rows = 2
[layouts.wrist.columns]
"Puls" = "heart_rate"
"SpO2 (%)" = { quantity = "spo2", unit = "%", missing = ["0", "255"] }

[criteria.close]
statistic = "mape"
at_most = 10
device = "band"
quantity = "heart_rate"
source = "protocol"

[quantities.cardiac_output]
unit = "l/min"
kind = "level"
range = [0.5, 30]
log = true

[settings]
min_covered = 0.9
resamples = 500
""",
    )
    assert (config.title, config.timezone, config.zone) == ("Stairs", "Europe/Oslo", ZoneInfo("Europe/Oslo"))
    band = config.devices["band"]
    assert band.zone is not None
    assert band.zone.utcoffset(datetime.now(UTC)) == timedelta(hours=1, minutes=30)
    assert (band.label, band.firmware, band.wear_site, band.layout) == ("Wrist band", "2.1", "left wrist", "wrist")
    assert (band.clock, band.stamps, band.stands_for) == ("shared", "second", "centred")
    assert (band.averaging_s, band.delay_s, band.hold_s) == (5.0, 2.5, 60.0)
    assert (band.role_for("heart_rate"), band.role_for("cadence")) == ("tested", "context")
    assert config.layouts["wrist"] == Layout(
        time=("date", "time"),
        time_format="%d.%m.%Y %H:%M:%S",
        start="2031-05-01T09:00:00",
        decimal=",",
        delimiter=";",
        skip_rows=2,
        columns={
            "Puls": LayoutColumn(quantity="heart_rate"),
            "SpO2 (%)": LayoutColumn(quantity="spo2", unit="%", missing=("0", "255")),
        },
    )
    assert config.criteria == (
        CriterionConfig(
            name="close", statistic="mape", at_most=10, device="band", quantity="heart_rate", source="protocol"
        ),
    )
    own = config.all_quantities["cardiac_output"]
    assert (own.unit, own.kind, own.low, own.high, own.log_scale, own.state_model) == (
        "l/min",
        "level",
        0.5,
        30.0,
        True,
        False,
    )
    assert config.settings == Settings(min_covered=0.9, resamples=500)
    assert [d.name for d in config.with_role("reference")] == ["strap", "patch"]
    assert [d.name for d in config.with_role("context", quantity="cadence")] == ["pod", "band"]


def test_defaults(tmp_path: Path):
    config = read(tmp_path, TOP)
    band = config.devices["band"]
    assert (band.label, band.clock, band.stamps, band.stands_for) == ("band", "own", "auto", "ending")
    assert (band.averaging_s, band.delay_s, band.hold_s, band.zone, band.prefer) == (None, None, None, None, None)
    assert config.title == tmp_path.name
    assert config.zone is None
    assert config.settings == Settings()


def test_an_own_quantity_needs_only_a_unit(tmp_path: Path):
    own = read(tmp_path, TOP + '[quantities.lactate]\nunit = "mmol/l"\n').quantities["lactate"]
    assert (own.label, own.kind, own.low, own.high) == ("lactate", "level", -math.inf, math.inf)


@pytest.mark.parametrize(
    ("text", "message", "slug"),
    [
        (
            "schema = 1\n[devices",
            "study.toml:2: not TOML: Expected ']' at the end of a table declaration",
            "toml-syntax",
        ),
        (
            "schema = 1\ntitle = Rowing\n",
            "study.toml:2: not TOML: Invalid value. Text values need quotes",
            "toml-syntax",
        ),
        ('title = "x"\n', "study.toml: expected a key schema (1), found none", "missing-key"),
        (
            "schema = 2\n",
            "study.toml:1: schema: expected 1, the only version this wearbench reads, got 2",
            "wrong-value",
        ),
        (
            "schema = 1\n",
            "study.toml: expected at least one table [devices.<name>] with a role, found none",
            "missing-key",
        ),
        (
            TOP + "titel = 3\n",
            'study.toml:6: devices.band.titel: unknown key. Known here: "role", "timezone", "label", "roles", '
            '"firmware", "wear_site", "layout", "prefer", "clock", "stamps", "stands_for", "averaging_s", "delay_s" '
            'and "hold_s"',
            "unknown-key",
        ),
        (
            "titel = 'x'\n" + TOP,
            'study.toml:1: titel: unknown key. Did you mean "title"?',
            "unknown-key",
        ),
        (
            TOP.replace('"tested"', '"teste"'),
            f'study.toml:5: devices.band.role: expected {ROLES}, got "teste". Did you mean "tested"?',
            "wrong-value",
        ),
        (
            "schema = 1\n[devices.band]\n",
            f"study.toml:2: devices.band: expected a key role ({ROLES}), found none",
            "missing-key",
        ),
        (
            "schema = 1\n[devices.band]\nrole = 3\n",
            f"study.toml:3: devices.band.role: expected {ROLES}, got 3",
            "wrong-value",
        ),
        (
            TOP + "firmware = 2.1\n",
            "study.toml:6: devices.band.firmware: expected text, got 2.1. Put it in quotes",
            "wrong-value",
        ),
        (
            TOP + 'label = ""\n',
            'study.toml:6: devices.band.label: expected text that is not empty, got ""',
            "wrong-value",
        ),
        (
            TOP + "averaging_s = 601\n",
            "study.toml:6: devices.band.averaging_s: expected a number from 0 to 600, got 601",
            "wrong-value",
        ),
        (
            TOP + "averaging_s = nan\n",
            "study.toml:6: devices.band.averaging_s: expected a number from 0 to 600, got NaN",
            "wrong-value",
        ),
        (
            TOP + "averaging_s = true\n",
            "study.toml:6: devices.band.averaging_s: expected a number from 0 to 600, got true",
            "wrong-value",
        ),
        (
            TOP + "prefer = 1.5\n",
            "study.toml:6: devices.band.prefer: expected a whole number from 1 to 999, got 1.5",
            "wrong-value",
        ),
        (
            TOP + 'clock = "patsch"\n',
            'study.toml:6: devices.band.clock: expected a clock ("own", "shared" or "patch"), got "patsch". '
            'Did you mean "patch"?',
            "unknown-device",
        ),
        (
            TOP.replace('"reference"', '"reference"\nclock = "band"') + 'clock = "patch"\n',
            "study.toml:4: devices.patch.clock: expected clocks that end at a device with its own, got a circle: "
            '"patch" -> "band" -> "patch"',
            "clock-circle",
        ),
        (
            TOP + 'timezone = "Oslo"\n',
            'study.toml:6: devices.band.timezone: expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", '
            'got "Oslo". Did you mean "Europe/Oslo"?',
            "unknown-zone",
        ),
        (
            'timezone = "+25:00"\n' + TOP,
            'study.toml:1: timezone: expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got "+25:00"',
            "unknown-zone",
        ),
        (
            TOP + 'layout = "wrst"\n[layouts.wrist]\ntime = "when"\n',
            'study.toml:6: devices.band.layout: expected the name of a layout ("wrist"), got "wrst". '
            'Did you mean "wrist"?',
            "unknown-layout",
        ),
        (
            TOP + 'layout = "wrist"\n',
            'study.toml:6: devices.band.layout: expected the name of a layout (none), got "wrist"',
            "unknown-layout",
        ),
        (
            TOP + 'roles.hart_rate = "tested"\n',
            f'study.toml:6: devices.band.roles: expected a quantity ({QUANTITIES}), got "hart_rate". '
            'Did you mean "heart_rate"?',
            "unknown-quantity",
        ),
        (
            TOP + '[layouts.w]\ncolumns.puls = "heartrate"\n',
            f'study.toml:7: layouts.w.columns.puls: expected a quantity ({QUANTITIES}), got "heartrate". '
            'Did you mean "heart_rate"?',
            "unknown-quantity",
        ),
        (
            TOP + '[layouts.w]\ncolumns.puls = { unit = "bpm" }\n',
            "study.toml:7: layouts.w.columns.puls: expected a key quantity (what the column holds), found none",
            "missing-key",
        ),
        (
            TOP + "[layouts.w]\ntime = 3\n",
            "study.toml:7: layouts.w.time: expected text or a list of texts, got 3",
            "wrong-value",
        ),
        (
            TOP + '[layouts.w]\ndelimiter = "tab"\n',
            'study.toml:7: layouts.w.delimiter: expected "auto" or one character (";", "\\t"), got "tab"',
            "wrong-value",
        ),
        (
            TOP + '[layouts.w]\nstart = "2031-05-01"\nstart_column = "begin"\n',
            "study.toml:8: layouts.w.start_column: expected start or start_column, got both",
            "two-starts",
        ),
        (
            TOP + '[criteria.close]\nstatistic = "mape"\n',
            "study.toml:6: criteria.close: expected a key at_most or at_least, found neither",
            "missing-key",
        ),
        (
            TOP + "[criteria.close]\nat_most = 10\n",
            'study.toml:6: criteria.close: expected a key statistic (such as "mape"), found none',
            "missing-key",
        ),
        (
            TOP + '[criteria.close]\nstatistic = "mape"\nat_most = "10"\n',
            'study.toml:8: criteria.close.at_most: expected a number, got "10"',
            "wrong-value",
        ),
        (
            TOP + '[criteria.close]\nstatistic = "mape"\nat_most = 10\ndevice = "bend"\n',
            'study.toml:9: criteria.close.device: expected a device of this study ("patch" or "band"), got "bend". '
            'Did you mean "band"?',
            "unknown-device",
        ),
        (
            TOP + '[quantities.heart_rate]\nunit = "bpm"\n',
            'study.toml:6: quantities.heart_rate: "heart_rate" is built in; give your own quantity another name',
            "bad-name",
        ),
        (
            TOP + '[quantities.lactate]\nunit = "mmol/l"\nrange = [30, 0]\n',
            "study.toml:8: quantities.lactate.range: expected two numbers, the lower first ([0, 30]), got [30, 0]",
            "wrong-value",
        ),
        (
            TOP + '[quantities.lactate]\nunit = "mmol/l"\nrange = [-1, 30]\nlog = true\n',
            "study.toml:9: quantities.lactate.log: a quantity on a log scale cannot be negative, range starts at -1",
            "bad-range",
        ),
        (
            TOP + '[quantities.lactate]\nunit = "mmol/l"\nlog = "yes"\n',
            'study.toml:8: quantities.lactate.log: expected true or false, got "yes"',
            "wrong-value",
        ),
        (
            TOP + "[settings]\nmin_coverd = 0.9\n",
            'study.toml:7: settings.min_coverd: unknown key. Did you mean "min_covered"?',
            "unknown-key",
        ),
        (
            TOP + "[settings]\nmin_covered = 80\n",
            "study.toml:7: settings.min_covered: expected a number from 0 to 1, got 80",
            "wrong-value",
        ),
        (
            TOP + "[settings]\nlate_s = -1\n",
            "study.toml:7: settings.late_s: expected a number of at least 0, got -1",
            "wrong-value",
        ),
        (
            TOP + '[devices."my band"]\nrole = "tested"\n',
            "study.toml:6: devices.my band: expected the name of a device made of letters, digits, _ and -, "
            'got "my band"',
            "bad-name",
        ),
        (
            TOP + '[devices.shared]\nrole = "tested"\n',
            'study.toml:6: devices.shared: "shared" has a meaning of its own and cannot name a device',
            "bad-name",
        ),
        ("schema = 1\ndevices = 3\n", "study.toml:2: devices: expected a table, got 3", "wrong-value"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, message: str, slug: str):
    with pytest.raises(StudyError) as caught:
        read(tmp_path, text)
    assert str(caught.value) == message
    assert caught.value.slug == slug


def test_other_encodings_are_refused(tmp_path: Path):
    (tmp_path / "study.toml").write_bytes('schema = 1\ntitle = "Øvelse"\n'.encode("latin-1"))
    with pytest.raises(StudyError) as caught:
        read_config(tmp_path / "study.toml")
    assert str(caught.value) == (
        "study.toml: expected UTF-8 text, got byte 0xd8 at position 20. Save the file as UTF-8"
    )


def test_no_study(tmp_path: Path):
    with pytest.raises(StudyError) as caught:
        load_study(tmp_path / "nowhere")
    assert str(caught.value) == f"{tmp_path / 'nowhere'}: expected the folder of a study, found none"
    with pytest.raises(StudyError) as caught:
        load_study(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: expected a file study.toml in this folder, found none. Make one with: wearbench new FOLDER"
    )
