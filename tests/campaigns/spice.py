"""The whole plant against ngspice: all failure modes, all situations, several installations.

``python -m tests.campaigns.spice [NAME ...] [--samples N]``; a name is ``default``, a preset or
``variant=choice,variant=choice``. Without names: the installations
listed here, in which every variant takes each of its choices but the levels of the brown-out
detector and the contact of the floats. Exit 1 where plant and ngspice disagree.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import diagnose
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.wiring import compose_named, parse_installation
from tests.oracles.spice import missing
from tests.oracles.spice_compare import Comparison
from tests.oracles.spice_tally import Tally

KNOWLEDGE = Path(diagnose.__file__).parent.parent / "knowledge"
INSTALLATIONS = (
    "default",
    "module=active_high,inputs=pull_up,drive=contactor,overload=fitted",
    "coil_supply=separate,start=none,sump_sensor=none,residual=none",
    "roof_floats=one,inputs=pull_up,drive=contactor,brown_out=low",
    "roof_sensor=electrodes,inputs=pull_up",
    "roof_sensor=electrode_relay",
    "roof_sensor=transmitter",
    "roof_sensor=ultrasonic",
    "pressure_set:default",
    "start=three_phase,drive=contactor",
    "start=soft_starter,surge=fitted",
    "start=start_capacitor,source=generator",
    "start=start_relay,source=feeder,earthing=tt",
    "start=control_box,source=inverter",
    "region=v120",
    "region=v240_split",
    "two_pumps:default",
)


def compared(name: str, samples: int, picked: Sequence[str] = ()) -> Tally:
    """Healthy and every failure mode (or the picked ones) of one installation."""
    kb = load_knowledge(KNOWLEDGE)
    builder = MatrixBuilder(kb, compose_named(kb, parse_installation(kb, name)))
    modes = builder.installation.modes
    comparison = Comparison(builder, samples)
    comparison.compare([None, *(modes[m] for m in picked or modes)])
    return comparison.tally


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("names", nargs="*", default=INSTALLATIONS)
    parser.add_argument("--samples", type=int, default=3, help="samples of each failure mode")
    parser.add_argument("--listed", type=int, default=20, help="differences shown of each kind")
    given = parser.parse_args()
    if why := missing():
        print(why, file=sys.stderr)
        return 2
    total = Tally()
    for name in given.names:
        start = time.monotonic()
        tally = compared(name, given.samples)
        print(
            f"{name} ({time.monotonic() - start:.0f} s)\n{tally.report(given.listed)}\n", flush=True
        )
        total.add(tally)
    if len(given.names) > 1:
        print(f"all {len(given.names)} installations\n{total.report(given.listed)}")
    return 0 if total.agrees else 1


if __name__ == "__main__":
    sys.exit(main())
