#!/usr/bin/env python3
"""A short at every node of a network of 1,000 and of 10,000 nodes, with four solvers in one run.

    solver_bench.py [--nodes 1000 10000] [--samples 5]

* Checkrail's circuit crate and a bare loop around faer's sparse Cholesky: `cargo run --release -p circuit --example
  short_everywhere`; both factorise once and find all node voltages for every short.
* Checkrail's study: the same shorts, currents of all sources and of the short only, current limits kept.
* scipy's splu, factorised once, right-hand sides in blocks of 64, the same voltages.
* ngspice run again for each short; a sample of them, multiplied up.

Prints seconds and ratios; a solver that is not installed is left out and named.
"""

import argparse
import json
import pathlib
import shutil
import subprocess
import tempfile
import time

SHORT_OHMS = 0.01
BLOCK = 64
ROOT = pathlib.Path(__file__).resolve().parents[2]


def ours(nodes, directory):
    command = ["cargo", "run", "--quiet", "--release", "-p", "circuit", "--example", "short_everywhere", "--"]
    done = subprocess.run(command + [str(nodes), str(directory)], cwd=ROOT, check=True,
                          capture_output=True, text=True)
    return json.loads(done.stdout)


def scipy_seconds(directory, want):
    try:
        import numpy
        from scipy.sparse import coo_matrix
        from scipy.sparse.linalg import splu
    except ImportError:
        return None
    rows, columns, values = numpy.loadtxt(directory / "matrix.txt", unpack=True)
    volts = numpy.loadtxt(directory / "open.txt")
    size = len(volts)
    begun = time.perf_counter()
    matrix = coo_matrix((values, (rows.astype(int), columns.astype(int))), shape=(size, size)).tocsc()
    factor = splu(matrix)
    total = 0.0
    for start in range(0, size, BLOCK):
        nodes = numpy.arange(start, min(start + BLOCK, size))
        right = numpy.zeros((size, len(nodes)))
        right[nodes, numpy.arange(len(nodes))] = 1.0
        columns = factor.solve(right)
        amps = volts[nodes] / (columns[nodes, numpy.arange(len(nodes))] + SHORT_OHMS)
        total += (volts[:, None] - columns * amps).sum()
    seconds = time.perf_counter() - begun
    if abs(total / want - 1.0) > 1e-9:
        raise SystemExit(f"scipy's voltages add to {total}, not {want}")
    return seconds


def ngspice_seconds(directory, nodes, samples):
    if shutil.which("ngspice") is None:
        return None
    netlist = (directory / "network.cir").read_text()
    begun = time.perf_counter()
    for sample in range(samples):
        node = 1 + sample * (nodes - 1) // samples
        case = directory / "case.cir"
        case.write_text(netlist.replace("SHORT", str(node)))
        subprocess.run(["ngspice", "-b", "-r", "case.raw", case.name], cwd=directory, check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return (time.perf_counter() - begun) / samples * nodes


def times(seconds, base):
    return "not installed" if seconds is None else f"{seconds:10.3f} s   {seconds / base:8.2f} x ours"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nodes", type=int, nargs="+", default=[1000, 10000])
    parser.add_argument("--samples", type=int, default=5)
    options = parser.parse_args()
    for nodes in options.nodes:
        with tempfile.TemporaryDirectory() as temporary:
            directory = pathlib.Path(temporary)
            runs = [ours(nodes, directory) for _ in range(3)]
            best = {key: min(run[key] for run in runs) for key in ("ours_s", "faer_s", "study_s")}
            scipy = scipy_seconds(directory, runs[0]["sum"])
            spice = ngspice_seconds(directory, nodes, options.samples)
        base = best["ours_s"]
        print(f"{nodes} nodes, {runs[0]['branches']} branches, a short at every node")
        print(f"  all voltages, ours          {times(base, base)}")
        print(f"  all voltages, faer loop     {times(best['faer_s'], base)}")
        print(f"  all voltages, scipy splu    {times(scipy, base)}")
        print(f"  ngspice run again per short {times(spice, base)}  ({options.samples} shorts measured)")
        print(f"  currents only, ours         {times(best['study_s'], base)}")


if __name__ == "__main__":
    main()
