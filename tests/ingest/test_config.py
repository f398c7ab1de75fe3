"""The yard file: what is read, and that each fault names key, value, expectation and line."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.config import Yard, load_yard, parse_yard, settings_fingerprint
from ingest.errors import YardFileError
from ingest.parts import DEFAULT_RULES
from ingest.toml_lines import line_of
from ingest.yard_faults import Fault, YardFaults, pressure_hint

GOOD = """\
[site]
name = "north-yard"
time_zone = "Europe/Berlin"
[mqtt]
host = "broker.example"
[[serial]]
port = "/dev/ttyUSB0"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
[[pot.part]]
part = "pinch_hose"
fitted_at = 2026-05-04
checked_at = 2026-05-05T06:30:00
[[pot]]
name = "pot-2"
volume_m3 = 0.110
plate_pa = 1.03e6
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "deadman"]
[[box]]
name = "box-2"
pot = "pot-2"
source = "serial"
gap_s = 5
channels = ["pot", "deadman"]
[[transducer]]
pot = "pot-1"
channel = "pot"
unit = "mA"
range_pa = [0, 1_000_000]
[[transducer.calibration]]
from_at = 2026-01-01
[[transducer.calibration]]
from_at = 2026-06-01T12:00:00Z
offset_pa = 1200
gain = 1.01
[[rule]]
part = "pinch_hose"
every_blast_h = 30
every_days = 7
[derive]
quiet_s = 120
"""


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(YardFaults) as caught:
        parse_yard(text)
    assert caught.value.next_step
    return caught.value.faults


def changed(old: str, new: str) -> tuple[str, int]:
    """The good file with one line changed, and that line's number."""
    assert GOOD.count(old) == 1, old
    return GOOD.replace(old, new), GOOD[: GOOD.index(old)].count("\n") + 1


def test_what_stands_in_the_file_is_read() -> None:
    yard = parse_yard(GOOD)
    assert yard.pot_names == ("pot-1", "pot-2")
    assert yard.mqtt is not None
    assert (yard.mqtt.client_id, yard.mqtt.port, yard.mqtt.root) == (
        "gritbook-north-yard", 1883, "gritbook",
    )  # fmt: skip
    assert yard.pot("pot-2") is yard.pots[1] and yard.pot("pot-9") is None
    assert (yard.gap_s("pot-1"), yard.gap_s("pot-2")) == (2.0, 5.0)
    assert yard.derive.quiet_s == 120 and yard.derive.align_s == 0.5
    (part,) = yard.pots[0].parts
    # A bare date is the day's first moment in the site's zone.
    assert part.fitted_at == dt.datetime(2026, 5, 3, 22, 0, tzinfo=dt.UTC)
    assert part.checked_at == dt.datetime(2026, 5, 5, 4, 30, tzinfo=dt.UTC)


def test_a_calibration_holds_until_the_next() -> None:
    transducer = parse_yard(GOOD).transducer("pot-1", "pot")
    assert transducer is not None
    for when, gain in (
        (dt.datetime(2025, 12, 31, 22, 59, tzinfo=dt.UTC), None),
        (dt.datetime(2025, 12, 31, 23, 0, tzinfo=dt.UTC), 1.0),
        (dt.datetime(2026, 6, 1, 11, 59, 59, tzinfo=dt.UTC), 1.0),
        (dt.datetime(2026, 6, 1, 12, 0, tzinfo=dt.UTC), 1.01),
    ):
        calibration = transducer.calibration_at(when)
        assert (calibration.gain if calibration else None) == gain


def test_the_model_is_frozen() -> None:
    yard = parse_yard(GOOD)
    with pytest.raises(ValueError, match="frozen"):
        yard.site.name = "other"  # type: ignore[misc]


FAULTS = [
    ('name = "north-yard"', 'name = "North Yard"', "site.name", '"North Yard"', "lower-case"),
    ('time_zone = "Europe/Berlin"', 'time_zone = "Europe/Berlim"', "site.time_zone",
     '"Europe/Berlim"', "no such time zone"),
    ('time_zone = "Europe/Berlin"', 'time_zone = "/etc/passwd"', "site.time_zone",
     '"/etc/passwd"', "no such time zone"),
    ('host = "broker.example"', 'host = ""', "mqtt.host", '""', "expected some text"),
    ('host = "broker.example"', 'host = "h"\nport = 99999', "mqtt.port", "99999", "at most 65535"),
    ('host = "broker.example"', 'host = "h"\nroot = "grit/#"', "mqtt.root", '"grit/#"', "without"),
    ('host = "broker.example"', 'host = "h"\nkeepalife_s = 9', "mqtt.keepalife_s", "9",
     "did you mean keepalive_s?"),
    ('host = "broker.example"', 'host = "h"\npassword_file = "secret"', "mqtt.password_file",
     '"secret"', "expected a whole path"),
    ('host = "broker.example"', 'host = "h"\n[mqtt.tls]\nkey_file = "/k"', "mqtt.tls", "",
     "a key is of no use without cert_file"),
    ('host = "broker.example"', 'host = "h"\n[mqtt.tls]\ncafile = "/k"', "mqtt.tls.cafile",
     '"/k"', "did you mean ca_file?"),
    ("quiet_s = 120", "quiet_s = 120\n[limits]\nburst = 1", "limits.burst", "1", "at least 10"),
    ("quiet_s = 120", "quiet_s = 120\n[keep]\njournal_days = 0", "keep.journal_days", "0",
     "at least 1"),
    ("quiet_s = 120", "quiet_s = 120\n[metrics]\nport = 0", "metrics.port", "0", "at least 1"),
    ('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB0"\ncrc = "yes"', 'serial "/dev/ttyUSB0".crc',
     '"yes"', "'optional' or 'required'"),
    ('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB0"\npots = ["pot-2", "pot-9"]',
     'serial "/dev/ttyUSB0".pots[2]', '"pot-9"', "there is no pot of that name"),
    ('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB0"\npots = ["pot-1"]', 'box "box-2".source',
     '"serial"', 'no [[serial]] line lists the pot "pot-2"'),
    ("plate_pa = 1.03e6", 'plate_pa = 9e5\n[[pot]]\nname = "pot-2"\nvolume_m3 = 1\nplate_pa = 9e5',
     'pot "pot-2".name', '"pot-2"', "same name"),
    ("volume_m3 = 0.184", "volume_m3 = 184", 'pot "pot-1".volume_m3', "184",
     "that looks like litres; write 0.184"),
    ("volume_m3 = 0.184", "volume_m3 = 6.5", 'pot "pot-1".volume_m3', "6.5",
     "that looks like cubic feet; write 0.184"),
    ("volume_m3 = 0.184", 'volume_m3 = "0.184"', 'pot "pot-1".volume_m3', '"0.184"',
     "expected a number"),
    ("volume_m3 = 0.184", "volume_m3 = nan", 'pot "pot-1".volume_m3', "nan", "finite"),
    ("plate_pa = 862_000", "plate_pa = 10.3", 'pot "pot-1".plate_pa', "10.3",
     "that looks like bar; write 1030000"),
    ("plate_pa = 862_000", "plate_pa = 125", 'pot "pot-1".plate_pa', "125",
     "that looks like psi; write 862000"),
    ("plate_pa = 862_000", "plate_pa = 862", 'pot "pot-1".plate_pa', "862",
     "that looks like kPa; write 862000"),
    ("plate_pa = 862_000", "plate_pa = -1", 'pot "pot-1".plate_pa', "-1", "expected a gauge"),
    ("plate_pa = 862_000", "", 'pot "pot-1".plate_pa', "", "this key is missing"),
    ("fitted_at = 2026-05-04", "fitted_at = 2026-03-29T02:30:00",
     'pot "pot-1".part "pinch_hose".fitted_at', "2026-03-29T02:30:00", "did not exist"),
    ("fitted_at = 2026-05-04", "fitted_at = 2026-10-25T02:30:00",
     'pot "pot-1".part "pinch_hose".fitted_at', "2026-10-25T02:30:00", "happened twice"),
    ("fitted_at = 2026-05-04", "fitted_at = 4",
     'pot "pot-1".part "pinch_hose".fitted_at', "4", "not a date"),
    ('pot = "pot-1"\nchannels', 'pot = "pot-11"\nchannels', 'box "box-1".pot', '"pot-11"',
     'did you mean "pot-1"?'),
    ('name = "box-2"', 'name = "box-1"', 'box "box-1".name', '"box-1"', "same name"),
    ("gap_s = 5", "gap_s = 0.1", 'box "box-2"', "", "longer than one and a half"),
    ('channels = ["supply", "pot", "deadman"]', 'channels = ["suply"]',
     'box "box-1".channels[1]', '"suply"', 'did you mean "supply"?'),
    ('channels = ["supply", "pot", "deadman"]', "channels = []", 'box "box-1".channels', "[]",
     "at least one"),
    ('channel = "pot"', 'channel = "humidity"', "transducer[1].channel", '"humidity"',
     "no such pressure channel"),
    ('unit = "mA"', 'unit = "psi"', "transducer[1].unit", '"psi"', "'Pa' or 'mA'"),
    ("range_pa = [0, 1_000_000]", "range_pa = [1_000_000, 0]", "transducer[1].range_pa",
     "[1000000, 0]", "lower end first"),
    ("range_pa = [0, 1_000_000]", "range_pa = [0, 10]", "transducer[1].range_pa", "[0, 10]",
     "that looks like bar; write 1000000"),
    ("from_at = 2026-06-01T12:00:00Z", "from_at = 2025-06-01",
     "transducer[1].calibration[2].from_at", "2025-06-01", "order of their dates"),
    ("every_blast_h = 30", "every_blast_h = 60", 'rule "pinch_hose"', "",
     "looser than the default (every_blast_h 60 instead of 40)"),
    ("every_days = 7", "", 'rule "pinch_hose"', "", "every_days none instead of 7"),
    ("quiet_s = 120", "pressurised_on = 0.4", "derive", "", "pressurised_off below"),
    ("quiet_s = 120", "quiet_s = 0", "derive.quiet_s", "0", "at least 1"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "value", "expected"), FAULTS)
def test_a_fault_names_key_value_expectation_and_line(
    old: str, new: str, key: str, value: str, expected: str
) -> None:
    text, line = changed(old, new)
    (fault,) = faults_of(text)
    assert (fault.key, fault.value) == (key, value)
    assert expected in fault.expected
    lines = text.splitlines()
    assert fault.line is not None
    if value and '"box-2".source' not in key:
        leaf = key.rpartition(".")[2].partition("[")[0]
        offsets = [n for n, written in enumerate(new.splitlines()) if written.startswith(leaf)]
        assert fault.line == line + offsets[-1]
    # A fault of a whole table, or of a key that is not there, points at the table's heading.
    elif not value:
        assert lines[fault.line - 1].startswith("[")


def test_all_faults_are_listed_at_once_in_the_order_of_the_file() -> None:
    text = GOOD
    for old, new in (
        ('time_zone = "Europe/Berlin"', 'time_zone = "Mars"'),
        ("volume_m3 = 0.184", "volume_m3 = 184"),
        ('pot = "pot-1"\nchannels', 'pot = "pot-7"\nchannels'),
        ("gain = 1.01", "gian = 1.01"),
    ):
        text = text.replace(old, new)
    lines = [fault.line for fault in faults_of(text)]
    assert len(lines) == 4
    assert lines == sorted(lines, key=lambda line: line or 0)


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ('[site]\nname = "a\n', 2, "not TOML"),
        ("[site\n", 1, "not TOML"),
        ("a = 1\na = 2\n", 2, "not TOML"),
        ("[site]\nname = ", 2, "not TOML"),
    ],
)
def test_a_syntax_error_has_its_line(text: str, line: int, said: str) -> None:
    (fault,) = faults_of(text)
    assert fault.line == line and said in fault.expected


def test_an_empty_file_says_what_it_needs() -> None:
    assert {fault.expected for fault in faults_of("")} == {
        "the file needs a [site] table",
        "the file needs a [[pot]] table",
    }


def test_mqtt_and_serial_must_be_there_for_boxes_that_use_them() -> None:
    text = GOOD.replace('[mqtt]\nhost = "broker.example"\n', "")
    text = text.replace('[[serial]]\nport = "/dev/ttyUSB0"\n', "")
    said = [fault.expected for fault in faults_of(text)]
    assert ["[mqtt]" in said[0], "[[serial]]" in said[1], len(said)] == [True, True, 2]


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(YardFileError, match="gritbook init"):
        load_yard(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('[site]\ntitle = "Höfe"'.encode("latin-1"))
    with pytest.raises(YardFileError, match="not UTF-8"):
        load_yard(tmp_path / "latin.toml")
    with pytest.raises(YardFileError, match="cannot be read"):
        load_yard(tmp_path)


def test_windows_line_ends_and_byte_order_mark_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_yard(path) == parse_yard(GOOD)


def test_the_template_loads_and_every_commented_key_is_one() -> None:
    template = resources.files("ingest").joinpath("yard_template.toml").read_text("utf-8")
    assert parse_yard(template).pot_names == ("pot-1",)
    # With all its examples uncommented it must hold as well, or it would teach wrong keys.
    lines = []
    for line in template.splitlines():
        body = line.removeprefix("# ")
        is_key = line.startswith("# ") and (
            body.startswith("[")
            or (" = " in body and body.split(" ")[0].replace("_", "").islower())
        )
        lines.append(body if is_key else line)
    full = "\n".join(lines)
    full = full.replace('pots = ["pot-2"]', 'pots = ["pot-1"]')
    yard = parse_yard(full)
    assert yard.serial and yard.rules and yard.transducers[0].calibrations
    assert yard.mqtt is not None and yard.mqtt.username == "gritbook"


def test_a_secured_broker_has_another_port_and_secrets_stay_out_of_the_model(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "password"
    secret.write_text("Secret-9\n")
    secret.chmod(0o600)
    text, _ = changed(
        'host = "broker.example"',
        f'host = "h"\nusername = "u"\npassword_file = "{secret}"\ntls = {{}}',
    )
    mqtt = parse_yard(text).mqtt
    assert mqtt is not None and mqtt.tls is not None
    assert mqtt.port == 8883
    assert mqtt.password() == "Secret-9"
    assert "Secret-9" not in repr(mqtt) + mqtt.model_dump_json()
    both, _ = changed(
        'host = "broker.example"', f'host = "h"\npassword_env = "A"\npassword_file = "{secret}"'
    )
    (fault,) = faults_of(both)
    assert "password_env or password_file, not both" in fault.expected


def test_the_password_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    text, _ = changed('host = "broker.example"', 'host = "h"\npassword_env = "YARD_SECRET"')
    mqtt = parse_yard(text).mqtt
    assert mqtt is not None
    monkeypatch.delenv("YARD_SECRET", raising=False)
    with pytest.raises(YardFileError, match="YARD_SECRET, which is not set"):
        mqtt.password()
    monkeypatch.setenv("YARD_SECRET", "open sesame")
    assert mqtt.password() == "open sesame"


# --- rules -----------------------------------------------------------------------------------


def effective(rule: str) -> dict[str, object]:
    yard = parse_yard(GOOD[: GOOD.index("[[rule]]")] + rule)
    found = {r.name: r.model_dump() for r in yard.effective_rules()}
    assert len(found) == len(yard.effective_rules())
    return found


def test_without_rules_the_defaults_hold() -> None:
    found = effective("")
    assert set(found) == {rule.name for rule in DEFAULT_RULES}
    hose = found["pinch_hose"]
    assert isinstance(hose, dict)
    assert (hose["every_blast_h"], hose["every_days"]) == (40.0, 7.0)
    assert not any(r["loosened"] or r["from_yard_file"] for r in found.values())  # type: ignore[index]
    assert all(r["source"] for r in found.values())  # type: ignore[index]


@pytest.mark.parametrize(
    ("limits", "loosened"),
    [
        ("every_blast_h = 40\nevery_days = 7", False),
        ("every_blast_h = 20\nevery_days = 7\nevery_cycles = 900", False),
        ("every_blast_h = 41\nevery_days = 7", True),
        ("every_blast_h = 40\nevery_days = 8", True),
        ("every_blast_h = 5", True),
        ("every_cycles = 5", True),
    ],
)
def test_loosening_is_a_larger_limit_or_a_dropped_trigger(limits: str, loosened: bool) -> None:
    rule = f'[[rule]]\npart = "pinch_hose"\n{limits}\n'
    found = effective(rule + 'reason = "softer abrasive"\nby = "Supervisor"\n')["pinch_hose"]
    assert isinstance(found, dict)
    assert (found["loosened"], found["from_yard_file"]) == (loosened, True)
    assert found["what"] == DEFAULT_RULES[0].what
    if loosened:
        for half in ("", 'reason = "softer abrasive"\n', 'by = "Supervisor"\n'):
            with pytest.raises(YardFaults, match="looser than the default"):
                effective(rule + half)
    else:
        effective(rule)


def test_a_rule_of_its_own_needs_what_and_a_limit() -> None:
    cut = '[[rule]]\npart = "pinch_hose"\nname = "hose-cut"\n'
    with pytest.raises(YardFaults, match="expected `what`"):
        effective(cut + "every_days = 1\n")
    with pytest.raises(YardFaults, match="at least one of every_blast_h"):
        effective(cut + 'what = "cut back"\n')
    found = effective(cut + 'what = "cut back"\nevery_days = 1\n')
    assert "hose-cut" in found and len(found) == len(DEFAULT_RULES) + 1
    with pytest.raises(YardFaults, match="same part"):
        effective('[[rule]]\npart = "nozzle"\nevery_days = 1\n' * 2)
    with pytest.raises(YardFaults, match="default rule of another part, nozzle"):
        effective('[[rule]]\npart = "pinch_hose"\nname = "nozzle-loss"\nevery_days = 1\n')


def test_a_rule_may_hold_on_some_pots_and_positions_only() -> None:
    pot = parse_yard(GOOD).pot_names[0]
    near = f'[[rule]]\npart = "nozzle"\npots = ["{pot}"]\npositions = ["Left"]\nevery_days = 3\n'
    yard = parse_yard(
        GOOD[: GOOD.index("[[rule]]")]
        + '[[rule]]\npart = "nozzle"\nevery_days = 5\n'
        + f'[[rule]]\npart = "nozzle"\npots = ["{pot}"]\nevery_days = 4\n'
        + near
    )
    found = [r for r in yard.effective_rules() if r.name == "nozzle"]
    assert [(r.pots, r.positions, r.every_days) for r in found] == [
        ((), (), 5.0), ((pot,), (), 4.0), ((pot,), ("left",), 3.0),
    ], "the one that says most closely where it holds comes last"  # fmt: skip
    with pytest.raises(YardFaults, match="holds at the same place"):
        effective(near * 2)
    with pytest.raises(YardFaults, match="there is no pot of that name"):
        effective('[[rule]]\npart = "nozzle"\npots = ["pot-x"]\nevery_days = 3\n')


def test_a_rule_by_condition_names_an_indicator_and_loosening_it_shows() -> None:
    leak = '[[rule]]\npart = "pinch_hose"\nname = "pinch_hose-leak"\n'
    found = effective(leak + 'indicator = "leak_m3_s_pa"\nlevel = 0.5\n')["pinch_hose-leak"]
    assert isinstance(found, dict)
    assert (found["level"], found["way"], found["loosened"]) == (0.5, "up", False)
    assert effective("")["pinch_hose-leak"]["level"] == 1.0  # type: ignore[index]
    for looser in ('indicator = "leak_m3_s_pa"\nlevel = 2.0\n', "every_days = 1\n"):
        with pytest.raises(YardFaults, match="looser than the default"):
            effective(leak + looser)
    with pytest.raises(YardFaults, match='did you mean "leak_m3_s_pa"'):
        effective(leak + 'indicator = "leak_m3"\n')
    with pytest.raises(YardFaults, match="go with an indicator"):
        effective('[[rule]]\npart = "nozzle"\nevery_days = 1\nlevel = 2.0\n')
    reasoned = leak + 'indicator = "leak_m3_s_pa"\nlevel = 2.0\nreason = "thick"\nby = "S"\n'
    found = effective(reasoned)["pinch_hose-leak"]
    assert isinstance(found, dict)
    assert (found["loosened"], found["loosened_by"]) == (True, "level 2 instead of 1")


# --- fingerprint -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "matters"),
    [
        ("quiet_s = 120", "quiet_s = 121", True),
        ("offset_pa = 1200", "offset_pa = 1201", True),
        ("range_pa = [0, 1_000_000]", "range_pa = [0, 1_600_000]", True),
        ("volume_m3 = 0.184", "volume_m3 = 0.185", True),
        ("gap_s = 5", "gap_s = 6", False),
        ("volume_m3 = 0.110", "volume_m3 = 0.111", False),
        ('unit = "mA"', 'unit = "mA"\ntag = "T9"', False),
        ("every_blast_h = 30", "every_blast_h = 29", False),
        ('host = "broker.example"', 'host = "other.example"', False),
        ("from_at = 2026-06-01T12:00:00Z", "from_at = 2026-06-01T14:00:00", False),
    ],
)
def test_the_fingerprint_changes_with_what_changes_figures(
    old: str, new: str, matters: bool
) -> None:
    before = settings_fingerprint(parse_yard(GOOD), "pot-1")
    after = settings_fingerprint(parse_yard(changed(old, new)[0]), "pot-1")
    assert (before != after) == matters


def test_the_fingerprint_is_of_one_pot_and_stable_between_processes() -> None:
    yard = parse_yard(GOOD)
    assert settings_fingerprint(yard, "pot-1") != settings_fingerprint(yard, "pot-2")
    program = (
        "import sys; from ingest.config import parse_yard, settings_fingerprint; "
        "print(settings_fingerprint(parse_yard(sys.stdin.read()), 'pot-1'))"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], input=GOOD, capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == settings_fingerprint(yard, "pot-1")


# --- properties ------------------------------------------------------------------------------


@given(st.sampled_from([("MPa", 1e6), ("bar", 1e5), ("psi", 6894.757), ("kPa", 1e3)]), st.data())
def test_a_plate_in_another_unit_is_told_apart(
    unit: tuple[str, float], data: st.DataObject
) -> None:
    """Whatever a pot's plate says, 5 to 14 bar, typed in another unit is recognised as that."""
    pressure = data.draw(st.floats(500_000, 1_400_000))
    hint = pressure_hint(pressure / unit[1])
    assert hint is not None and f"looks like {unit[0]};" in hint
    suggested = float(hint.split("write ")[1])
    assert suggested == pytest.approx(pressure, abs=500.1)
    assert pressure_hint(suggested) is None


_KEYS = st.text("abcdefgh", min_size=1, max_size=4)


@given(st.lists(st.tuples(_KEYS, st.booleans()), min_size=1, max_size=8, unique=True))
def test_lines_are_found_wherever_a_key_stands(tables: list[tuple[str, bool]]) -> None:
    text, expected = "# a first line\n", {}
    counts: dict[str, int] = {}
    kinds: dict[str, bool] = {}
    for name, many in tables:
        if kinds.setdefault(name, many) != many or (not many and name in counts):
            continue
        index = counts.get(name, 0)
        counts[name] = index + 1
        text += f"\n[[{name}]]\n" if many else f"\n[{name}]\n"
        text += "x.y = [\n  1, # one\n  { z = 2 },\n]\n"
        base = (name, index) if many else (name,)
        end = text.count("\n")
        expected |= {
            (*base, "x", "y"): end - 3,
            (*base, "x", "y", 0): end - 2,
            (*base, "x", "y", 1, "z"): end - 1,
            (*base, "missing"): end - 4,
        }
    import tomllib

    tomllib.loads(text)
    assert {path: line_of(text, path) for path in expected} == expected


def test_reading_the_yard_file_loads_nothing_heavy() -> None:
    program = (
        "import sys, ingest.config; "
        "print([m for m in ('polars', 'duckdb', 'streamlit', 'serial', 'paho', 'tree_sitter') "
        "if m in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"


def test_yard_is_a_plain_value() -> None:
    assert parse_yard(GOOD) == parse_yard(GOOD)
    assert Yard.model_config["frozen"]
