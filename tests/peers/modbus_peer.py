"""A meter and a relay board by pymodbus 3.16.1, and what the daemon makes of them.

    modbus_peer.py rtu|tcp CHECKRAIL WORK

Unit 1 is a meter: input registers 0 volts (0.01), 1 amperes (0.001), 4-5 and 6-7 the same as IEEE 754 singles. Unit 2 is a
relay board with eight coils; coil 3 is the power of the district, and the meter's current is 0 while it is off. The
check: the district's current is read; a short is ordered off at the coil, the coil reads back off, and the cut is
proved by the current. Over RTU the line is a socat pair of pseudo-terminals, over TCP the loopback.

Source: pymodbus (PyPI), an implementation of its own of the Modbus specification.
"""

import asyncio
import json
import pathlib
import subprocess
import sys
import urllib.request

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

LAYOUT = """
schema = 1
[layout]
name = "Peer"
[booster.main]
volts = "15 V"
limit = "5 A"
[district.quarry]
booster = "main"
cut = true
breaker = { kind = "electronic", trip = "3 A", delay = "200 ms" }
[block.q1]
district = "quarry"
[history]
journal = "WORK/journal"
[protection]
power-on = "auto"
[links.modbus.peer]
LINE
timeout = "60 ms"
reply-max = "90 ms"
[[links.modbus.peer.unit]]
address = 1
label = "meter"
poll = "100 ms"
points = [
  { channel = "district/quarry/voltage", fn = 4, addr = 0, scale = 0.01 },
  { channel = "district/quarry/current", fn = 4, addr = 1, scale = 0.001, range = [0, 10] },
  { channel = "booster/main/voltage", fn = 4, addr = 4, type = "f32" },
  { channel = "booster/main/current", fn = 4, addr = 6, type = "f32" },
]
[[links.modbus.peer.unit]]
address = 2
label = "board"
poll = "100 ms"
outputs = [{ channel = "district/quarry/power", coil = 3, deadman = "board" }]
"""


class Plant:
    """Currents follow the coil."""

    def __init__(self):
        self.amps = 0.812
        self.on = False
        self.writes = []

    def registers(self):
        import struct

        amps = self.amps if self.on else 0.0
        floats = struct.unpack(">4H", struct.pack(">2f", 15.87, amps))
        return [1587, round(amps * 1000), 0, 129, *floats]

    async def meter(self, function, start, address, count, current, values):
        if values is None and function == 4:
            want = self.registers()
            for at in range(address, address + count):
                current[at - start] = want[at] if at < len(want) else 0
        return None

    async def board(self, function, start, address, count, current, values):
        if function in (5, 15) and values is not None:
            for nth, value in enumerate(values):
                self.writes.append((address + nth, bool(value)))
                if address + nth == 3:
                    self.on = bool(value)
        return None


def devices(plant):
    words = lambda count: [SimData(0, count=count, values=0, datatype=DataType.REGISTERS)]
    bits = lambda count: [SimData(0, count=count, values=False, datatype=DataType.BITS)]
    meter = SimDevice(1, simdata=(bits(16), bits(16), words(16), words(16)), action=plant.meter)
    board = SimDevice(2, simdata=(bits(64), bits(64), words(16), words(16)), action=plant.board)
    return [meter, board]


def state_of(port):
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/state", timeout=5) as answer:
        return json.load(answer)


async def until(what, seen, seconds=20):
    for _ in range(seconds * 20):
        found = await asyncio.to_thread(seen)
        if found:
            return found
        await asyncio.sleep(0.05)
    raise SystemExit(f"FAILED: {what} not seen in {seconds} s")


async def main():
    kind, program, work = sys.argv[1], sys.argv[2], pathlib.Path(sys.argv[3])
    plant, socat = Plant(), None
    work.mkdir(parents=True, exist_ok=True)
    if kind == "rtu":
        ends = [work / "line-a", work / "line-b"]
        for end in ends:
            end.unlink(missing_ok=True)
        socat = subprocess.Popen(["socat", *(f"pty,raw,echo=0,link={end}" for end in ends)])
        await until("the pair of pseudo-terminals", lambda: all(end.exists() for end in ends))
        server = ModbusSerialServer(devices(plant), framer=FramerType.RTU, port=str(ends[0]), baudrate=115200)
        line = f'device = "{ends[1]}"\nbaud = 115200\nparity = "none"'
        probe = [str(ends[1]), "--baud", "115200", "--parity", "none"]
    else:
        server = ModbusTcpServer(devices(plant), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    if kind == "tcp":
        port = server.transport.sockets[0].getsockname()[1]
        line = f'tcp = "127.0.0.1:{port}"'
        probe = [f"127.0.0.1:{port}"]
    plant.on = True
    try:
        await probed(program, probe)
        plant.on = False
        (work / "layout.toml").write_text(LAYOUT.replace("LINE", line).replace("WORK", str(work)))
        await daemon(plant, program, work)
    finally:
        await server.shutdown()
        if socat:
            socat.terminate()
            socat.wait()
    print(f"modbus {kind}: read, cut, read back and proved against pymodbus 3.16.1")


async def probed(program, where):
    run = await asyncio.to_thread(
        subprocess.run, [program, "probe", *where, "--unit", "1", "--addr", "0", "--count", "8"],
        capture_output=True, text=True, timeout=20)
    assert run.returncode == 0, run.stderr
    for word in ["1587", "812", "15.87", "0.812"]:
        assert word in run.stdout, (word, run.stdout)
    run = await asyncio.to_thread(
        subprocess.run, [program, "probe", *where, "--unit", "1", "--addr", "99", "--count", "1"],
        capture_output=True, text=True, timeout=20)
    assert run.returncode == 1 and "illegal data address" in run.stderr, (run.stdout, run.stderr)


async def daemon(plant, program, work):
    log = open(work / "daemon.log", "w")
    process = subprocess.Popen(
        [program, "run", str(work / "layout.toml"), "--listen", "127.0.0.1:0", "--data", str(work / "data"), "--log-json"],
        stderr=log, stdout=subprocess.DEVNULL)
    try:
        def listening():
            for text in (work / "daemon.log").read_text().splitlines():
                if '"DashboardOpened"' in text:
                    return int(text.split("127.0.0.1:")[1].split("/")[0])
        port = await until("the dashboard", listening)
        state = lambda: state_of(port)
        district = lambda: next(it for it in state()["districts"] if it["id"] == "quarry")
        booster = lambda: state()["boosters"][0]
        await until("the district is switched on at its coil", lambda: plant.on)
        # The page rounds; the journal has what was read.
        def read(channel, value):
            lines = "".join(it.read_text() for it in (work / "journal").iterdir()).split("\n")[:-1]
            return any((it["channel"], it["value"]) == (channel, value) for it in map(json.loads, lines))
        rows = [("district/quarry/current", 0.812), ("district/quarry/voltage", 15.87),
                ("booster/main/current", 0.812), ("booster/main/voltage", 15.87), ("district/quarry/feedback", "on")]
        for channel, value in rows:
            await until(f"{channel} {value}", lambda: read(channel, value))
        await until("power on", lambda: district()["power"] == "on")
        before = len(plant.writes)
        plant.amps = 4.9
        await until("the short is cut at the coil", lambda: not plant.on)
        assert plant.writes[before:][0] == (3, False), plant.writes
        await until("the cut is proved", lambda: district()["power"] == "cut")
        await until("the coil reads back off", lambda: read("district/quarry/feedback", "off"))
    finally:
        process.terminate()
        # The units answer meanwhile: the last cut wants to be proved.
        status = await asyncio.to_thread(process.wait, 20)
    assert status == 0, f"it ended with {status}: see {work}/daemon.log"


asyncio.run(main())
