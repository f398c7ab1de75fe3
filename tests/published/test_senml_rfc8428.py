"""RFC 8428's own examples (section 5.1) against the RFC's own resolved records.

Where the RFC prints the resolved form (5.1.4) it is compared as printed. For the others the
expected records follow from section 4.6: base fields applied, times absolute, chronological order,
the version kept where it is not 10.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from ingest.wire.rfc8428 import read_records, resolve

DEVICE = "urn:dev:ow:10e2073a01080063"
NOW_S = 1_495_586_834.0

# Section 5.1.3, "Multiple Measurements", and its resolved form in section 5.1.4.
MULTIPLE_MEASUREMENTS = """
[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]
"""
RESOLVED_DATA = """
[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]
"""

EXAMPLES: dict[str, tuple[str, list[dict[str, Any]]]] = {
    "5.1.1 single data point": (
        '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
        [{"n": DEVICE, "u": "Cel", "t": NOW_S, "v": 23.1}],
    ),
    "5.1.2 multiple data points, at an unspecified time": (
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},'
        '{"n":"current","u":"A","v":1.2}]',
        [
            {"n": f"{DEVICE}:voltage", "u": "V", "t": NOW_S, "v": 120.1},
            {"n": f"{DEVICE}:current", "u": "A", "t": NOW_S, "v": 1.2},
        ],
    ),
    "5.1.2 multiple data points, the five seconds before": (
        '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,'
        '"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},'
        '{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
        '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]',
        [
            {"bver": 5, "n": "urn:dev:ow:10e2073a0108006:current", "u": "A", "t": t, "v": v}
            for t, v in (
                (1.276020071001e09, 1.2),
                (1.276020072001e09, 1.3),
                (1.276020073001e09, 1.4),
                (1.276020074001e09, 1.5),
                (1.276020075001e09, 1.6),
            )
        ]
        + [
            {
                "bver": 5,
                "n": "urn:dev:ow:10e2073a0108006:voltage",
                "u": "V",
                "t": 1.276020076001e09,
                "v": 120.1,
            },
            {
                "bver": 5,
                "n": "urn:dev:ow:10e2073a0108006:current",
                "u": "A",
                "t": 1.276020076001e09,
                "v": 1.7,
            },
        ],
    ),
    "5.1.3 and 5.1.4 multiple measurements": (MULTIPLE_MEASUREMENTS, json.loads(RESOLVED_DATA)),
    "5.1.4 what is resolved stays as it is": (RESOLVED_DATA, json.loads(RESOLVED_DATA)),
    "5.1.5 multiple data types": (
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},'
        '{"n":"label","vs":"Machine Room"},{"n":"open","vb":false},'
        '{"n":"nfc-reader","vd":"aGkgCg"}]',
        [
            {"n": f"{DEVICE}:temp", "u": "Cel", "t": NOW_S, "v": 23.1},
            {"n": f"{DEVICE}:label", "t": NOW_S, "vs": "Machine Room"},
            {"n": f"{DEVICE}:open", "t": NOW_S, "vb": False},
            {"n": f"{DEVICE}:nfc-reader", "t": NOW_S, "vd": "aGkgCg"},
        ],
    ),
    "5.1.6 collection of resources": (
        '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30},'
        '{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},'
        '{"n":"humidity","u":"%RH","v":67}]',
        [
            {"n": "2001:db8::2/temperature", "u": "Cel", "t": 1.320078429e09, "v": 25.2},
            {"n": "2001:db8::2/humidity", "u": "%RH", "t": 1.320078429e09, "v": 30},
            {"n": "2001:db8::1/temperature", "u": "Cel", "t": 1.320078429e09, "v": 12.3},
            {"n": "2001:db8::1/humidity", "u": "%RH", "t": 1.320078429e09, "v": 67},
        ],
    ),
    "5.1.7 setting an actuator: the first record only sets the base name": (
        '[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},'
        '{"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}]',
        [
            {"n": f"{DEVICE}:temp", "u": "Cel", "t": NOW_S, "v": 23.1},
            {"n": f"{DEVICE}:heat", "u": "/", "t": NOW_S, "v": 1},
            {"n": f"{DEVICE}:fan", "u": "/", "t": NOW_S, "v": 0},
        ],
    ),
    "5.1.7 lights off, dimmed first": (
        '[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},'
        '{"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]',
        [
            {"n": "2001:db8::3", "u": "/", "t": 1320078429.0, "v": 0.5},
            {"n": "2001:db8::4", "u": "/", "t": 1320078429.0, "v": 0.5},
            {"n": "2001:db8::3", "u": "/", "t": 1320078429.1, "v": 0},
            {"n": "2001:db8::4", "u": "/", "t": 1320078429.1, "v": 0},
        ],
    ),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_rfcs_examples_resolve_to_the_rfcs_records(name: str) -> None:
    pack, expected = EXAMPLES[name]
    assert resolve(pack.encode(), NOW_S) == expected
    _, rejects, _ = read_records(pack.encode())
    assert rejects == []


def test_sums_and_base_values_add_as_section_4_says() -> None:
    """Sections 4.1, 4.2 and 4.5: value = base value + value, sum = base sum + sum."""
    pack = b'[{"bn":"m/","bt":1e9,"bv":20,"bs":100,"n":"a","v":1.5,"s":2},{"n":"b","s":3}]'
    assert resolve(pack, NOW_S) == [
        {"n": "m/a", "t": 1e9, "v": 21.5, "s": 102.0},
        {"n": "m/b", "t": 1e9, "v": 20.0, "s": 103.0},
    ]


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (0, NOW_S),
        (-3.5, NOW_S - 3.5),
        (2**28 - 1, NOW_S + 2**28 - 1),
        (2**28, 2.0**28),
    ],
)
def test_times_below_two_to_the_28_are_relative(seconds: float, expected: float) -> None:
    """Section 4.5.3."""
    pack = json.dumps([{"n": "a/b", "t": seconds, "v": 1}]).encode()
    assert resolve(pack, NOW_S)[0]["t"] == expected
