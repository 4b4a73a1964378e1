"""Reads exported faults with the PyPI package `comtrade` and compares every sample with the JSON of the same fault.

Usage: comtrade_check.py FOLDER, as written by the example `export_sample` of the history crate. The reader forgives
missing line ends, a missing tail and a short data file, so those are checked on the bytes.
"""

import copy
import csv
import json
import math
import pathlib
import sys

import comtrade

HOLD_MS = 250.0


def fail(text):
    raise AssertionError(text)


def same(what, got, want):
    if got != want:
        fail(f"{what}: {got!r}, not {want!r}")


def clean(name):
    return "".join(";" if letter == "," else letter for letter in name)[:64]


def read(cfg_path):
    record = comtrade.Comtrade(use_double_precision=True)
    record.load(str(cfg_path), str(cfg_path.with_suffix(".dat")))
    return record


def check_bytes(cfg_path, kind):
    """What the reader would let pass: line ends, closing lines, number and size of the data rows."""
    raw = cfg_path.read_bytes()
    lines = raw.split(b"\r\n")
    same("line ends", (lines[-1], raw.count(b"\n"), raw.count(b"\r")), (b"", len(lines) - 1, len(lines) - 1))
    lines = lines[:-1]
    analogs, statuses = (int(part[:-1]) for part in lines[1].decode().split(",")[1:])
    tail = lines[2 + analogs + statuses :]
    same("closing lines", len(tail), 9)
    same("first line", len(lines[0].split(b",")), 3)
    same("revision", lines[0].split(b",")[2], b"2013")
    same("rates", (tail[1], tail[2].split(b",")[0]), (b"0", b"0"))
    same("file type", tail[5], kind.upper().encode())
    rows = int(tail[2].split(b",")[1])
    data = cfg_path.with_suffix(".dat").read_bytes()
    if kind == "binary":
        size = 8 + 2 * analogs + 2 * math.ceil(statuses / 16)
        same("size of the data file", len(data), rows * size)
    else:
        text = data.split(b"\r\n")
        same("rows of the data file", (len(text) - 1, text[-1]), (rows, b""))
        for number, row in enumerate(text[:-1], 1):
            same("fields of a row", len(row.split(b",")), 2 + analogs + statuses)
            same("number of a row", int(row.split(b",")[0]), number)
    return rows


def times_ms(record):
    """Instants of the rows from the trigger; the reader counts from the first row."""
    return [1000.0 * (time - record.trigger_time) for time in record.time]


def row_at(times, ms):
    row = min(range(len(times)), key=lambda at: abs(times[at] - ms))
    if abs(times[row] - ms) > 0.0015:
        fail(f"no row at {ms} ms, the nearest is at {times[row]}")
    return row


def check_analog(record, times, waveform):
    name = clean(waveform["channel"])
    at = record.analog_channel_ids.index(name)
    channel = record.cfg.analog_channels[at]
    same(f"unit of {name}", channel.uu, waveform["unit"])
    values = record.analog[at]
    for ms, want in zip(waveform["ms"], waveform["values"]):
        got = values[row_at(times, ms)]
        if want is None:
            same(f"{name} at {ms} ms is missing", math.isnan(got), True)
        elif not abs(got - want) <= channel.a / 2 + 1e-9:
            fail(f"{name} at {ms} ms: {got}, not {want} (step {channel.a})")
    for at, ms in enumerate(times):
        held = [one for one in waveform["ms"] if one <= ms + 0.0015]
        if not held or ms - held[-1] > HOLD_MS + 0.0015:
            same(f"{name} at {ms} ms is not made up", math.isnan(values[at]), True)


def check_words(record, times, waveform):
    for word in set(waveform["values"]) - {None}:
        name = clean(f"{waveform['channel']} {word}")
        states = record.status[record.status_channel_ids.index(name)]
        for ms, value in zip(waveform["ms"], waveform["values"]):
            same(f"{name} at {ms} ms", int(states[row_at(times, ms)]), int(value == word))
        same(f"{name} before its first sample", any(
            state for state, ms in zip(states, times) if ms < waveform["ms"][0] - 0.0015
        ), False)


def check_record(cfg_path, kind, fault):
    rows = check_bytes(cfg_path, kind)
    record = read(cfg_path)
    same("rows", (record.total_samples, len(record.time)), (rows, rows))
    times = times_ms(record)
    trigger = record.cfg.trigger_timestamp.isoformat(timespec="milliseconds") + "Z"
    same("trigger", trigger, fault["trigger"])
    for waveform in fault["waveforms"]:
        (check_analog if waveform["unit"] else check_words)(record, times, waveform)
    at = record.status_channel_ids.index("trigger")
    same("the trigger rises at the trigger", [int(it) for it in record.status[at]], [int(ms >= -0.0015) for ms in times])
    for cut in fault["cuts"]:
        states = record.status[record.status_channel_ids.index(f"{cut['feed']} cut proved")]
        want = [int(cut["proved_ms"] is not None and ms >= cut["proved_ms"] - 0.0015) for ms in times]
        same("the proof of the cut", [int(it) for it in states], want)
    return sum(len(it["ms"]) for it in fault["waveforms"])


def check_csv(path, fault):
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    found = [[] for _ in fault["waveforms"]]
    for row in rows[1:]:
        for at, cell in enumerate(row[1:]):
            if cell:
                found[at].append((float(row[0]), cell))
    for waveform, got in zip(fault["waveforms"], found):
        want = list(zip(waveform["ms"], waveform["values"]))
        same(f"samples of {waveform['channel']}", len(got), len(want))
        for (ms, cell), (want_ms, value) in zip(got, want):
            same("instant", ms, round(want_ms, 3))
            same("value", cell if isinstance(value, str) else ("invalid" if value is None else float(cell)),
                 value if value is not None and not isinstance(value, float) and not isinstance(value, int)
                 else ("invalid" if value is None else float(value)))
    if not any(waveform["unit"] for waveform in fault["waveforms"]):
        fail("nothing to compare")


def must_fail(what, action):
    try:
        action()
    except (AssertionError, ValueError):
        return
    raise SystemExit(f"the check would not see {what}")


def check_the_check(folder, fault):
    """Each comparison is shown to fail on a fault that differs in one sample, and on a data file that lost a byte."""
    ascii_cfg, binary_cfg = folder / "plain-ascii.cfg", folder / "plain-binary.cfg"
    for at in range(len(fault["waveforms"])):
        other = copy.deepcopy(fault)
        value = other["waveforms"][at]["values"][0]
        other["waveforms"][at]["values"][0] = value + 0.5 if isinstance(value, float) else "other"
        must_fail("a changed sample", lambda: check_record(binary_cfg, "binary", other))
        must_fail("a changed sample", lambda: check_csv(folder / "plain.csv", other))
    dat = ascii_cfg.with_suffix(".dat")
    whole = dat.read_bytes()
    try:
        dat.write_bytes(whole[:-40])
        must_fail("a short data file", lambda: check_record(ascii_cfg, "ascii", fault))
    finally:
        dat.write_bytes(whole)


def main():
    folder = pathlib.Path(sys.argv[1])
    samples = 0
    for name in ("plain", "awkward"):
        fault = json.loads((folder / f"{name}.json").read_text())
        for kind in ("ascii", "binary"):
            samples += check_record(folder / f"{name}-{kind}.cfg", kind, fault)
        check_csv(folder / f"{name}.csv", fault)
    check_the_check(folder, json.loads((folder / "plain.json").read_text()))
    print(f"comtrade: {samples} samples read back equal, ASCII and BINARY")


if __name__ == "__main__":
    try:
        main()
    except AssertionError as error:
        sys.exit(f"comtrade: {error}")
