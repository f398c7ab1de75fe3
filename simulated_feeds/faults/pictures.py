"""Draw what each fault does, and write the page that shows it.

Run `python -m simulated_feeds.faults.pictures` to write README.md and the SVG files of this folder
again. Needs altair and vl-convert-python; nothing else in the package does.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..feeds.mangle import Mangled
from ..model import ABRASIVE
from .catalogue import BY_NAME, CATALOGUE, MESSAGE, Fault
from .fault_set import FaultSet
from .trial import Trial, run_trial

if TYPE_CHECKING:
    import polars as pl

SEVERITIES = (0.25, 0.5, 1.0)
FOLDER = Path(__file__).parent
SEED = 3
COLOURS = ("#9aa0a6", "#f2b04b", "#e0702c", "#a3261d")
"""Healthy, then the severities: light to dark."""


@dataclass(frozen=True, slots=True)
class View:
    """Which signal shows a fault, and from when to when."""

    signal: str
    from_s: float
    to_s: float
    title: str


RISE = View("pot_pa", 79.0, 96.0, "pot pressure after the dead-man is pressed, kPa")
BURST = View("pot_pa", 78.0, 150.0, "pot pressure over one burst, kPa")
NOZZLE = View("nozzle_pa", 78.0, 124.0, "nozzle pressure over one burst, kPa")
SUPPLY = View("supply_pa", 78.0, 150.0, "manifold pressure over one burst, kPa")
BURSTS = View("pot_pa", 0.0, 320.0, "pot pressure over several bursts, kPa")
VIEWS = {
    "pinch_leak": RISE,
    "popup_unseated": View("pot_pa", 8.0, 240.0, "pot pressure over three bursts, kPa"),
    "slow_exhaust": BURST,
    "stays_pressurised": BURSTS,
    "pressurises_alone": View("pot_pa", 78.0, 160.0, "pot pressure, kPa"),
    "nozzle_wear": NOZZLE,
    "wet_air": SUPPLY,
    "over_pressure": BURST,
    "relief_early": BURST,
    "compressor_starved": SUPPLY,
    "choke_part_shut": NOZZLE,
    "metering_starved": View("abrasive_kg", 0.0, 320.0, "abrasive left in the pot, kg"),
    "metering_flooded": View("abrasive_kg", 0.0, 320.0, "abrasive left in the pot, kg"),
    "transducer_stuck": BURSTS,
    "transducer_drift": View("pot_pa", 0.0, 560.0, "pot pressure, kPa"),
    "loop_broken": BURSTS,
    "deadman_stuck": View("deadman", 0.0, 320.0, "dead-man switch, 1 is held"),
    "deadman_missed": View("deadman", 0.0, 320.0, "dead-man switch, 1 is held"),
    "box_silent": View("sent", 0.0, 560.0, "seconds received, 1 is received"),
    "box_rebooted": View("seq", 0.0, 560.0, "message counter"),
    "clock_jumped": View("clock_s", 0.0, 180.0, "time by the box's clock, s"),
    "clock_drifts": View("clock_off_s", 0.0, 560.0, "box's clock ahead of true time, s"),
}


def signal(trial: Trial, name: str) -> np.ndarray:
    """Give a signal of a trial as it is drawn: pressures in kPa.

    Parameters
    ----------
    trial : Trial
        What the test stand recorded.
    name : str
        Name of one of its arrays, or `abrasive_kg`.
    """
    if name == "abrasive_kg":
        return np.asarray(trial.true[ABRASIVE])
    if name == "clock_off_s":
        return np.asarray(trial.clock_s - trial.time_s)
    values = np.asarray(getattr(trial, name), dtype=np.float64)
    return values / 1e3 if name.endswith("_pa") else values


def trial_lines(fault: Fault) -> pl.DataFrame:
    """Give what a fault's picture shows: columns `line`, `s`, `value`.

    Parameters
    ----------
    fault : Fault
        A fault of plant, sensor or box.
    """
    import polars as pl

    view = VIEWS[fault.name]
    frames = []
    for severity in (0.0, *SEVERITIES):
        trial = run_trial(FaultSet({fault.name: severity}, SEED))
        shown = np.flatnonzero((trial.time_s >= view.from_s) & (trial.time_s <= view.to_s))
        shown = shown[:: max(len(shown) // 360, 1)]
        frames.append(
            pl.DataFrame(
                {
                    "line": line_name(severity),
                    "s": np.round(trial.time_s[shown], 1),
                    "value": np.round(signal(trial, view.signal)[shown], 3),
                }
            )
        )
    return pl.concat(frames)


def line_name(severity: float) -> str:
    """Give what a line is called in the legend.

    Parameters
    ----------
    severity : float
        0 is healthy [-].
    """
    return f"severity {severity:g}" if severity else "healthy"


class _Tray:
    """Keeps the numbers of the messages it is handed; garbled ones as -1."""

    def __init__(self) -> None:
        self.sent = 0
        self.numbers: list[int] = []

    def frame(self, pack: bytes) -> bytes:
        """Give the pack as it is."""
        return pack

    def send_bytes(self, line: bytes) -> None:
        """Note the number of a message."""
        text = line[:-1]
        self.sent += 1
        self.numbers.append(int(text) if len(text) == 6 and text.isdigit() else -1)


def message_points(fault: Fault) -> pl.DataFrame:
    """Give the order in which messages arrive: columns `line`, `arrival`, `number`.

    Parameters
    ----------
    fault : Fault
        A fault of messages.
    """
    import polars as pl

    frames = []
    for severity in (0.0, *SEVERITIES):
        tray = _Tray()
        mangled = Mangled(tray, FaultSet({fault.name: severity}, SEED))
        for number in range(60):
            mangled.send(b"%06d\n" % number)
        mangled.finish()
        frames.append(
            pl.DataFrame(
                {
                    "line": line_name(severity),
                    "arrival": np.arange(len(tray.numbers)),
                    "number": [n if n < 60 else -1 for n in tray.numbers],
                }
            )
        )
    return pl.concat(frames)


def draw(fault: Fault) -> str:
    """Draw a fault's picture.

    Parameters
    ----------
    fault : Fault
        Any of the catalogue.

    Returns
    -------
    str
        SVG; the same for the same versions of altair and vl-convert.
    """
    import altair
    import vl_convert

    names = [line_name(severity) for severity in (0.0, *SEVERITIES)]
    colour = altair.Color(
        "line:N", title=None, scale=altair.Scale(domain=names, range=list(COLOURS))
    )
    if fault.where == MESSAGE:
        chart = (
            altair.Chart(message_points(fault))
            .mark_point(size=12, filled=True, opacity=1.0)
            .encode(
                altair.X("arrival:Q", title="arrival"),
                altair.Y("number:Q", title="message; -1 is garbled"),
                colour,
                altair.Column("line:N", sort=names, title=None),
            )
            .properties(width=130, height=150)
        )
    else:
        view = VIEWS[fault.name]
        stepped = view.signal in {"deadman", "sent", "seq"}
        line = altair.Chart(trial_lines(fault)).mark_line(
            strokeWidth=1.3, interpolate="step-after" if stepped else "linear"
        )
        axes = (
            altair.X("s:Q", title="time, s", scale=altair.Scale(nice=False)),
            altair.Y("value:Q", title=None, scale=altair.Scale(zero=False)),
            colour,
        )
        if stepped:
            chart = line.encode(*axes, altair.Row("line:N", sort=names, title=None)).properties(
                width=560, height=50, title=view.title
            )
        else:
            chart = line.encode(*axes).properties(width=560, height=210, title=view.title)
    chart = chart.configure_view(stroke=None).configure_header(labelFontSize=10)
    svg: str = vl_convert.vegalite_to_svg(chart.to_json())
    return svg


def paragraph(fault: Fault) -> str:
    """Give the paragraph and the picture of a fault, as Markdown.

    Parameters
    ----------
    fault : Fault
        Any of the catalogue.
    """
    dials = ", ".join(f"{fault.value(severity):.3g}" for severity in SEVERITIES)
    unit = "" if fault.unit == "-" else f" {fault.unit}"
    return (
        f"## {fault.words}\n\n"
        f"`{fault.name}` ({fault.where}). {fault.effect} The dial: {fault.dial}: {dials}"
        f"{unit} at severities 0.25, 0.5 and 1.\n\n"
        f"![{fault.words}: healthy and three severities]({fault.name}.svg)\n"
    )


def page() -> str:
    """Give the page that shows all faults, as Markdown."""
    head = (
        "# What can be wrong with a simulated pot\n\n"
        "Each fault is a name and a severity from 0 to 1: `--fault pinch_leak:0.4`. The pictures "
        "show a test stand that blasts for 40 s and rests for 30 s, healthy and at three "
        "severities. Severities are invented and rest on no source; what a fault does to the "
        "signals follows from the model. Written by `python -m simulated_feeds.faults.pictures`.\n"
    )
    return "\n".join([head, *(paragraph(fault) for fault in CATALOGUE)])


def main() -> None:
    """Write page and pictures."""
    for fault in BY_NAME.values():
        (FOLDER / f"{fault.name}.svg").write_text(draw(fault), encoding="utf-8")
    (FOLDER / "README.md").write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
