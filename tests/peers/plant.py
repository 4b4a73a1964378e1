"""A model railroad in Python, from the pages of the contract alone, that closes the loop through `checkrail replay`.

The plant knows districts, their loads, faults, breakers and actuators in steps of a millisecond, tells readings at a
given rate and obeys the orders that come back. Nothing here looks into Checkrail: what is wanted of it is written in
the checks of closed_loop.py beside the sentence of the contract that wants it.
"""

import json
import math
import os
import subprocess

STATES = {"raised", "acknowledged", "cleared", "cleared-unacknowledged", "shelved", "unshelved", "out-of-service",
          "in-service", "reset"}
PRIORITIES = {"high", "medium", "low"}
KINDS = set("""short-circuit half-short at-limit tripped-elsewhere contact-overload overload frog-mismatch frog-dead
    frog-not-switching frog-not-measured machine-slow machine-stuck machine-out-of-step positions-invalid run-through
    cut-failed power-cut voltage-low current-unaccounted reading-stale reading-bad node-offline block-held clock-skew
    history-failing""".split())
ORDERS = {"on", "cut", "normal", "reverse"}
# A contact of 1 A with a time constant of 2 s: the thermal image of IEC 60255-149 with k = 1.
RATING, TAU = 1.0, 2.0


class Failed(Exception):
    """A sentence of the contract that did not hold."""


def want(true, said):
    if not true:
        raise Failed(said)


class Replay:
    """`checkrail replay LAYOUT - --lockstep`, line by line; checks what holds for every output at once."""

    def __init__(self, layout, folder):
        path = os.path.join(folder, "closed-loop.toml")
        with open(path, "w", encoding="utf-8") as file:
            file.write(layout)
        self.errors = open(os.path.join(folder, "closed-loop.err"), "w", encoding="utf-8")
        self.process = subprocess.Popen(
            [os.environ["CHECKRAIL_BIN"], "replay", path, "-", "--lockstep"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self.errors, text=True)
        self.lines, self.last, self.outputs = 0, 0.0, []

    def raw(self, text):
        """Sends one line as it is and gives all that it caused."""
        self.process.stdin.write(text + "\n")
        self.process.stdin.flush()
        self.lines += 1
        caused = []
        while True:
            answer = self.process.stdout.readline()
            want(answer, "`--lockstep` prints, after each input line and all that it caused, {\"done\":N}")
            answer = json.loads(answer)  # Nothing but JSON lines goes to standard output.
            if "done" in answer:
                want(answer == {"done": self.lines}, f"N counts input lines from 1: {answer} after line {self.lines}")
                return caused
            self.judge(answer)
            caused.append(answer)

    def send(self, t, channel, value, **more):
        return self.raw(json.dumps({"t": round(t, 6), "channel": channel, "value": value, **more}))

    def close(self):
        """End of input; gives what comes then."""
        self.process.stdin.close()
        rest = [json.loads(line) for line in self.process.stdout]
        for answer in rest:
            self.judge(answer)
        want(self.process.wait() == 0, "all commands exit 0 done")
        self.errors.close()
        return rest

    def judge(self, it):
        self.outputs.append(it)
        want(it.get("t") is not None and it["t"] >= self.last - 1e-9, f"outputs come in the order of time: {it}")
        self.last = it["t"]
        if "order" in it:
            want(it["value"] in ORDERS and it["cause"], f"`order` values are on cut normal reverse: {it}")
        elif "alarm" in it:
            want(it["alarm"] in KINDS and it["state"] in STATES and it["priority"] in PRIORITIES, f"alarm words: {it}")
            want(it["subject"] == "checkrail" or "/" in it["subject"], f"a subject is a channel's object part: {it}")
            want(len(it["text"]) > 10, f"an alarm says what is wrong: {it}")
        elif "fault" in it:
            shares = [suspect["share"] for suspect in it["suspects"]]
            want(abs(sum(shares) - 1) < 1e-6, f"shares adding to 1: {shares}")
            want(shares == sorted(shares, reverse=True), f"ranked suspects: {shares}")
            want(all(suspect["reasons"] for suspect in it["suspects"][:1]), f"each with its reasons in words: {it}")
        else:
            want("state" in it, f"unknown line: {it}")


class District:
    def __init__(self, **given):
        self.load = 0.3             # amps of trains
        self.fault = 0.0            # amps of a short through a contact
        self.poles = 1              # side by side in the fault's path
        self.breaker = None         # (trip, delay): opens by itself
        self.actuator = True        # obeys `cut` 15 ms after the order
        self.welded = False         # an actuator that obeys no more
        self.feedback = False
        self.volts_told = False
        self.closed, self.tripped = True, False
        self.opens_at = self.closes_at = None
        self.above = 0.0
        self.theta = self.hottest = 0.0
        self.blocks = {}            # block id -> function of (plant, amps) giving its current
        self.__dict__.update(given)


class Plant:
    def __init__(self, replay, districts, volts=15.0, limit=5.0, rate=100, booster_told=False, booster_cut=True):
        self.replay, self.districts = replay, districts
        self.volts, self.limit, self.step = volts, limit, 1000 // rate
        self.booster_told, self.booster_cut = booster_told, booster_cut
        self.booster_on, self.booster_opens = True, None
        self.now, self.sums = 0, {name: [] for name in districts}
        self.orders, self.alarms, self.faults, self.states = [], [], [], []
        self.lie = {}               # channel -> function(t, true value) giving what is told; None: nothing
        self.discrete = {}
        self.at = []                # (ms, function)

    # What happens, a millisecond at a time.

    def amps(self, name):
        it = self.districts[name]
        return min(it.load + it.fault, self.limit) if self.live(name) else 0.0

    def live(self, name):
        it = self.districts[name]
        return it.closed and not it.tripped and self.booster_on

    def tick(self):
        for when, what in [it for it in self.at if it[0] == self.now]:
            what(self)
        if self.booster_opens is not None and self.now >= self.booster_opens:
            self.booster_on, self.booster_opens = False, None
        for name, it in self.districts.items():
            if it.opens_at is not None and self.now >= it.opens_at:
                it.closed, it.opens_at = False, None
                if it.feedback:
                    self.tell(f"district/{name}/feedback", "off")
            if it.closes_at is not None and self.now >= it.closes_at:
                it.closed, it.closes_at = True, None
                if it.feedback:
                    self.tell(f"district/{name}/feedback", "on")
            amps = self.amps(name)
            if it.breaker:
                it.above = it.above + 1 if amps > it.breaker[0] else 0
                it.tripped = it.tripped or it.above >= it.breaker[1]
            share = max(1 / it.poles, 1 / 1.8) if it.poles > 1 else 1
            through = amps if it.fault and self.live(name) else 0.0
            it.theta += ((through * share / RATING) ** 2 - it.theta) * 0.001 / TAU
            it.hottest = max(it.hottest, it.theta)
            self.sums[name].append(amps * amps)
        if self.now % self.step == 0 and self.now:
            self.report()
        self.now += 1

    def report(self):
        total = 0.0
        for name, it in self.districts.items():
            mean = math.sqrt(sum(self.sums[name]) / max(1, len(self.sums[name])))
            total += mean
            self.sums[name].clear()
            self.tell(f"district/{name}/current", round(mean, 4))
            for block, share in it.blocks.items():
                self.tell(f"block/{block}/current", round(share(it, mean), 4))
            if it.volts_told:
                self.tell(f"district/{name}/voltage", round(self.district_volts(name), 3))
        if self.booster_told:
            self.tell("booster/main/current", round(total, 4))

    def district_volts(self, name):
        it = self.districts[name]
        if not self.live(name):
            return 0.0
        return 1.5 if it.load + it.fault >= self.limit else self.volts - 0.4 * self.amps(name)

    def tell(self, channel, value):
        t = self.now / 1000
        if channel in self.lie:
            value = self.lie[channel](t, value)
            if value is None:
                return
        if isinstance(value, dict):
            self.obey(self.replay.send(t, channel, None, **value))
        else:
            self.obey(self.replay.send(t, channel, value))

    def say(self, channel, value):
        """A discrete reading, now."""
        self.discrete[channel] = value
        self.tell(channel, value)

    # What comes back.

    def obey(self, caused):
        for it in caused:
            if "order" in it:
                self.orders.append(it)
                self.act(it)
            elif "alarm" in it:
                self.alarms.append(it)
            elif "fault" in it:
                self.faults.append(it)
            else:
                self.states.append(it)

    def act(self, it):
        kind, name, _ = it["order"].split("/")
        after = self.now + 15
        if kind == "booster":
            if self.booster_cut and it["value"] == "cut":
                self.booster_opens = after
            return
        district = self.districts[name]
        if district.actuator and not district.welded:
            if it["value"] == "cut":
                district.opens_at = after
            else:
                district.closes_at = after

    def run(self, seconds):
        end = self.now + round(seconds * 1000)
        while self.now < end:
            self.tick()
        return self

    def end(self):
        self.obey(self.replay.close())
        return self

    # What was seen.

    def raised(self, kind, subject=None):
        return [it for it in self.alarms if it["alarm"] == kind and it["state"] == "raised"
                and (subject is None or it["subject"] == subject)]

    def cuts(self, channel=None):
        return [it for it in self.orders if it["value"] == "cut" and (channel is None or it["order"] == channel)]

    def last_state(self, channel):
        found = [it for it in self.states if it["state"] == channel]
        return found[-1]["value"] if found else None
