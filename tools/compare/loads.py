"""Reference trajectories with a torque limiter, a fan, harmonics and a brake, by SciPy: writes
tests/data/trajectories/k_* and l_*.json.

    python3 tools/compare/loads.py              (with the packages of tools/compare/requirements.txt)

Chains of two nodes. Smooth stretches by DOP853 (rtol 1e-12, atol 1e-14, steps of at most 0.1 ms), ended where a
gap closes or opens, a limiter slips or holds, a node sticks or breaks away, on the dense output. The equations are
written out here: coupling with play after Nordin, Galic and Gutman, with a slip s in its twist while its torque is at the
limit; dry friction with Stribeck's curve; a fan c w |w|; harmonics of the load's angle; a brake as dry friction that
comes and goes. Nothing is taken from the program. Each case is computed again with Radau (rtol 1e-10) and with the last
node's start angle 1e-10 rad further; the largest differences, as shares of each state's span, are written into the file.
"""

import json
import math
import pathlib

import numpy as np
import scipy
from scipy.integrate import solve_ivp

TICK_HZ = 8000.0


def friction(kinetic, static, stribeck, viscous):
    return {"kind": "coulomb", "kinetic_nm": kinetic, "static_nm": static, "stribeck_rad_per_s": stribeck,
            "stribeck_exponent": 2.0, "viscous_nms_per_rad": viscous}


CASES = {
    "k_limiter_play_friction": {
        "title": "Two masses, gear 2, play 10 arcmin, torque limiter 2.2 Nm, Stribeck friction, reversing torque",
        "end_s": 0.8,
        "nodes": [(4.2e-4, friction(0.04, 0.05, 1.2566, 1.1e-4)), (6.0e-3, friction(0.25, 0.38, 0.8, 1.0e-3))],
        "coupling": {"stiffness_nm_per_rad": 260.0, "damping_nms_per_rad": 0.05, "half_gap_rad": 5 * math.pi / 10800,
                     "ratio_motor_turns_per_load_turn": 2.0, "torque_limit_nm": 2.2},
        "torque": [(0.0, 0.03), (0.05, 2.4), (0.11, -2.6), (0.2, 1.6), (0.3, -1.0), (0.42, -2.0), (0.5, 0.3), (0.62, 2.9),
                   (0.7, -1.3)],
        "brake": None, "closed": [(0.0, False)], "fan": 0.0, "harmonics": [],
    },
    "l_fan_harmonics_brake": {
        "title": "Two masses, fan and harmonics on the load, a brake on the motor that closes and opens",
        "end_s": 0.8,
        "nodes": [(4.2e-4, friction(0.04, 0.05, 1.2566, 1.1e-4)), (3.4e-3, friction(0.0, 0.0, 1.0, 0.0))],
        "coupling": {"stiffness_nm_per_rad": 260.0, "damping_nms_per_rad": 0.02, "half_gap_rad": 0.0,
                     "ratio_motor_turns_per_load_turn": 1.0, "torque_limit_nm": None},
        "torque": [(0.0, 0.3), (0.2, -0.9), (0.35, 0.0), (0.5, 0.7), (0.65, -0.5)],
        "brake": {"node": 0, "torque_nm": 1.1, "drag_nm": 0.01},
        "closed": [(0.0, True), (0.05, False), (0.35, True), (0.48, False), (0.7, True)],
        "fan": 2.0e-4,
        "harmonics": [{"per_turn": 3, "peak_nm": 0.35, "phase_rad": 0.5}, {"per_turn": 17, "peak_nm": 0.06, "phase_rad": 0}],
    },
}


class Run:
    """States: angles, speeds, gap position b, slip s."""

    def __init__(self, case, method, rtol, atol, further_rad=0.0):
        self.case, self.method, self.rtol, self.atol = case, method, rtol, atol
        c = case["coupling"]
        self.k, self.d, self.a = c["stiffness_nm_per_rad"], c["damping_nms_per_rad"], c["half_gap_rad"]
        self.r, self.limit = c["ratio_motor_turns_per_load_turn"], c["torque_limit_nm"] or math.inf
        self.j = [node[0] for node in case["nodes"]]
        self.y = np.array([0.0, further_rad, 0.0, 0.0, 0.0, 0.0])
        # Contact: +1 or -1 on that side, 0 open, "always"; slip: 0 or the side; nodes: "held" or their direction.
        self.contact = "always" if self.a == 0 else 0
        self.slip, self.node = 0, ["held", "held"]
        self.motor = self.resisting = 0.0
        self.events, self.time = [], 0.0
        for node in range(2):
            if self.holding(node) == 0.0:
                self.node[node] = 1

    def rates(self, y):
        """x', T and the speeds of b and s."""
        turned = y[2] / self.r - y[3]
        strain = y[0] / self.r - y[1] - y[4] - y[5]
        if self.slip:
            torque = self.slip * self.limit
            return torque, 0.0, turned - (torque - self.k * strain) / self.d
        if self.contact == 0:
            return 0.0, turned + self.k / self.d * strain, 0.0
        return self.k * strain + self.d * turned, 0.0, 0.0

    def net(self, y, node, torque):
        if node == 0:
            return self.motor - torque / self.r
        w = y[3]
        loads = self.case["fan"] * w * abs(w)
        for h in self.case["harmonics"]:
            loads += h["peak_nm"] * math.sin(h["per_turn"] * y[1] + h["phase_rad"])
        return torque - loads

    def dry(self, node, speed):
        f = self.case["nodes"][node][1]
        fall = math.exp(-((speed / f["stribeck_rad_per_s"]) ** 2))
        return f["kinetic_nm"] + (f["static_nm"] - f["kinetic_nm"]) * fall + self.braked(node)

    def braked(self, node):
        brake = self.case["brake"]
        return self.resisting if brake and brake["node"] == node else 0.0

    def holding(self, node):
        return self.case["nodes"][node][1]["static_nm"] + self.braked(node)

    def slope(self, _, y):
        torque, gap, slip = self.rates(y)
        out = np.zeros(6)
        out[4], out[5] = gap, slip
        for node in range(2):
            if self.node[node] == "held":
                continue
            w = y[2 + node]
            rub = self.node[node] * self.dry(node, w) + self.case["nodes"][node][1]["viscous_nms_per_rad"] * w
            out[node] = w
            out[2 + node] = (self.net(y, node, torque) - rub) / self.j[node]
        return out

    def watched(self):
        """Functions that are above 0 while the pattern holds, with what happens at their end."""
        found = []
        if self.slip:
            found.append((lambda y: self.slip * self.rates(y)[2], ("holds",)))
        elif self.contact == 0:
            found += [(lambda y, side=side: self.a - side * y[4], ("closes", side)) for side in (1, -1)]
        else:
            sides = (1, -1) if self.contact == "always" else (self.contact,)
            if self.contact != "always":
                found.append((lambda y: self.contact * self.rates(y)[0], ("opens",)))
            if self.limit < math.inf:
                found += [(lambda y, side=side: self.limit - side * self.rates(y)[0], ("slips", side)) for side in sides]
        for node in range(2):
            if self.node[node] == "held":
                found.append((lambda y, node=node: self.holding(node) - abs(self.net(y, node, self.rates(y)[0])),
                              ("breaks", node)))
            else:
                found.append((lambda y, node=node: self.node[node] * y[2 + node], ("stops", node)))
        return found

    def note(self, kind, place, number, direction):
        self.events.append({"time_s": self.time, "kind": kind, place: number, "direction": int(direction)})

    def change(self, what):
        if what[0] == "holds":
            self.note("limiter_holds", "coupling", 0, self.slip)
            self.slip = 0
        elif what[0] == "closes":
            self.contact, self.y[4] = what[1], what[1] * self.a
            self.note("gap_closes", "coupling", 0, what[1])
        elif what[0] == "opens":
            self.note("gap_opens", "coupling", 0, self.contact)
            self.contact = 0
        elif what[0] == "slips":
            self.slip = what[1]
            self.note("limiter_slips", "coupling", 0, what[1])
        elif what[0] == "breaks":
            self.tear(what[1])
        elif what[0] == "stops":
            node = what[1]
            before, self.y[2 + node] = self.node[node], 0.0
            net = self.net(self.y, node, self.rates(self.y)[0])
            if 0.0 < self.holding(node) and abs(net) <= self.holding(node):
                self.node[node] = "held"
                self.note("sticks", "node", node, before)
            else:
                self.node[node] = int(math.copysign(1, net))
        self.settle(what)

    def tear(self, node):
        direction = int(math.copysign(1, self.net(self.y, node, self.rates(self.y)[0])))
        self.node[node] = direction
        self.note("breaks_away", "node", node, direction)

    def settle(self, what=()):
        """What a jump of torques changes at the same instant."""
        torque = self.rates(self.y)[0]
        if not self.slip and what[:1] not in (("holds",), ("slips",)) and self.limit < abs(torque):
            self.slip = int(math.copysign(1, torque))
            self.note("limiter_slips", "coupling", 0, self.slip)
        for node in range(2):
            if self.node[node] == "held" and what != ("breaks", node):
                if self.holding(node) < abs(self.net(self.y, node, self.rates(self.y)[0])):
                    self.tear(node)

    def stretch(self, end_s, samples, out):
        while self.time < end_s:
            watched = self.watched()
            functions = []
            for function, _ in watched:
                def event(t, y, function=function):
                    return function(y)
                event.terminal, event.direction = True, -1
                functions.append(event)
            ran = solve_ivp(self.slope, (self.time, end_s), self.y, method=self.method, rtol=self.rtol, atol=self.atol,
                            max_step=1e-4, events=functions, dense_output=True)
            assert ran.status >= 0, ran.message
            for at_s in samples:
                # A sample at an instant of change shows what is after it.
                if self.time <= at_s < ran.t[-1] or (at_s == ran.t[-1] == self.case["end_s"]):
                    y = ran.sol(at_s)
                    out[round(at_s * 1000)] = [*y[:4], self.rates(y)[0], y[4]]
            self.time, self.y = ran.t[-1], ran.y[:, -1].copy()
            if ran.status == 1:
                number = next(i for i, times in enumerate(ran.t_events) if len(times))
                self.change(watched[number][1])

    def run(self):
        case = self.case
        samples = [k / 1000 for k in range(round(case["end_s"] * 1000) + 1)]
        out = [None] * len(samples)
        starts = sorted({start for start, _ in case["torque"] + case["closed"]})
        for start, end in zip(starts, starts[1:] + [case["end_s"]]):
            self.motor = [torque for at, torque in case["torque"] if at <= start][-1]
            if case["brake"]:
                closed = [closed for at, closed in case["closed"] if at <= start][-1]
                self.resisting = case["brake"]["torque_nm"] if closed else case["brake"]["drag_nm"]
            self.settle()
            self.stretch(end, samples, out)
        return np.array(out).T, self.events


def apart(one, other, spans):
    return {name: float(np.max(np.abs(one[i] - other[i])) / spans[i]) for i, name in enumerate(NAMES) if spans[i] > 0}


NAMES = ["th0", "th1", "w0", "w1", "t0", "b0"]


def compute(name, case):
    states, events = Run(case, "DOP853", 1e-12, 1e-14).run()
    spans = np.max(states, axis=1) - np.min(states, axis=1)
    kinds = [[(e["kind"], e["direction"]) for e in found] for found in [events]]
    radau, radau_events = Run(case, "Radau", 1e-10, 1e-12).run()
    shifted, shifted_events = Run(case, "DOP853", 1e-12, 1e-14, 1e-10).run()
    for other in (radau_events, shifted_events):
        assert kinds[0] == [(e["kind"], e["direction"]) for e in other], f"{name}: other events"
    gap = case["coupling"]["half_gap_rad"] > 0
    coupling = {key: value for key, value in case["coupling"].items() if value is not None}
    file = {
        "title": case["title"], "what": "reference trajectory; nodes and couplings count from 0", "tick_hz": TICK_HZ,
        "duration_s": case["end_s"],
        "nodes": [{"inertia_kgm2": inertia, "friction": rub} for inertia, rub in case["nodes"]],
        "couplings": [coupling],
        "fan": {"node": 1, "torque_nms2_per_rad2": case["fan"]}, "harmonics": {"node": 1, "terms": case["harmonics"]},
        "brake": case["brake"], "brake_profile": {"form": "[start_s, closed]", "pieces": case["closed"]},
        "torque_profile": {"form": "[start_s, torque_nm]", "pieces": case["torque"]},
        "initial_state": {"angle_rad": [0, 0], "speed_rad_per_s": [0, 0], "gap_position_rad": [0]},
        "event_count": len(events), "events": events,
        "solver": {"kind": f"DOP853 between events located on the dense output, SciPy {scipy.__version__}",
                   "rtol": 1e-12, "atol": 1e-14, "max_step_s": 1e-4, "script": "tools/compare/loads.py"},
        "estimated_error": {
            "against_radau_rtol_1e_10": apart(states, radau, spans),
            "event_times_against_radau_s": max(abs(a["time_s"] - b["time_s"]) for a, b in zip(events, radau_events))},
        "change_when_load_starts_1e_10_rad_further": apart(states, shifted, spans),
        "sample_s": [k / 1000 for k in range(states.shape[1])],
        "angle_rad": states[0:2].tolist(), "speed_rad_per_s": states[2:4].tolist(),
        "coupling_torque_nm": states[4:5].tolist(), "gap_position_rad": [states[5].tolist() if gap else None],
    }
    path = pathlib.Path(__file__).parents[2] / "tests/data/trajectories" / f"{name}.json"
    path.write_text(json.dumps(file) + "\n")
    print(name, len(events), "events;", file["estimated_error"], file["change_when_load_starts_1e_10_rad_further"])


if __name__ == "__main__":
    for name, case in CASES.items():
        compute(name, case)
