#!/usr/bin/env python3
"""Solves random layouts with faults once more with ngspice and compares with what Checkrail's circuit crate solved.

    ngspice_check.py [--cases 60] [--keep DIRECTORY]

Writes the cases with `cargo run -p circuit --example spice_cases`, runs `ngspice -b` on each, reads node voltages as
full doubles from its raw file, and compares every node voltage and the current through every bridge. Exit 0: all agree
to 1e-6 relative; 1: one does not; 77: no ngspice here.
"""

import argparse
import json
import pathlib
import re
import shutil
import struct
import subprocess
import sys
import tempfile

TOLERANCE = 1e-6
# Values below these are compared as if they were as large: nothing hangs on a microvolt or a tenth of a milliampere,
# and what remains of volts that cancel is rounding.
ZERO_VOLTS = 1e-3
ZERO_AMPS = 1e-4


def raw_values(path):
    """Names and values of the operating point in a binary raw file."""
    blob = path.read_bytes()
    head, _, body = blob.partition(b"Binary:\n")
    lines = head.decode().splitlines()
    count = next(int(line.split(":")[1]) for line in lines if line.startswith("No. Variables"))
    start = next(at for at, line in enumerate(lines) if line.startswith("Variables:")) + 1
    names = [line.split()[1] for line in lines[start:start + count]]
    return dict(zip(names, struct.unpack(f"<{count}d", body[:8 * count])))


def run(netlist):
    raw = netlist.with_suffix(".raw")
    done = subprocess.run(
        ["ngspice", "-b", "-r", raw.name, netlist.name],
        cwd=netlist.parent, capture_output=True, text=True, timeout=60,
    )
    if not raw.exists():
        sys.exit(f"{netlist.name}: ngspice gave no result\n{done.stdout}\n{done.stderr}")
    return raw_values(raw)


def disagreement(got, want, zero):
    return abs(got - want) / max(abs(want), abs(got), zero)


def compare(netlist):
    """Worst relative disagreement of one case: node voltages, bridge currents."""
    ours = json.loads(netlist.with_suffix(".json").read_text())
    values = run(netlist)
    volts = {name: values.get(f"v({name})", values.get(name)) for name in ours["nodes"]}
    missing = [name for name, value in volts.items() if value is None]
    if missing:
        sys.exit(f"{netlist.name}: ngspice does not know {missing}")
    # Every voltage is compared against the largest of its case: a difference of large voltages is no more exact.
    scale = max([abs(value) for value in ours["nodes"].values()] + [ZERO_VOLTS])
    nodes = max(abs(volts[name] - want) / scale for name, want in ours["nodes"].items())
    ends = re.findall(r"^Rbridge(\d+) (n\d+) (n\d+)", netlist.read_text(), re.MULTILINE)
    bridges = 0.0
    for (number, start, end), bridge in zip(ends, ours["bridges"]):
        amps = (volts[start] - volts[end]) / bridge["ohms"]
        bridges = max(bridges, disagreement(amps, bridge["amps"], ZERO_AMPS))
    carrying = sum(abs(bridge["amps"]) > 0.01 for bridge in ours["bridges"])
    return nodes, bridges, carrying


def write_cases(directory, count):
    root = pathlib.Path(__file__).resolve().parents[2]
    command = ["cargo", "run", "--quiet", "-p", "circuit", "--example", "spice_cases", "--"]
    subprocess.run(command + [str(directory), str(count)], cwd=root, check=True, stdout=subprocess.DEVNULL)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--keep", type=pathlib.Path)
    options = parser.parse_args()
    if shutil.which("ngspice") is None:
        print("no ngspice here: not compared")
        return 77
    with tempfile.TemporaryDirectory() as temporary:
        directory = options.keep or pathlib.Path(temporary)
        directory.mkdir(parents=True, exist_ok=True)
        write_cases(directory, options.cases)
        worst, carrying = (0.0, ""), 0
        for netlist in sorted(directory.glob("case-*.cir")):
            nodes, bridges, loaded = compare(netlist)
            carrying += loaded
            worst = max(worst, (max(nodes, bridges), netlist.name))
        print(f"{options.cases} cases, {carrying} bridges that carry current, "
              f"worst disagreement {worst[0]:.1e} ({worst[1]})")
        if carrying < options.cases // 2:
            print("too few bridges carry current: the comparison would prove little")
            return 1
        return 0 if worst[0] <= TOLERANCE else 1


if __name__ == "__main__":
    sys.exit(main())
