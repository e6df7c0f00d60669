"""Writes tests/data/friction.json: trajectories under friction that varies and under bristles, by SciPy.

One mass, or two with a spring and damper between them, friction on the last node, a torque on node 0 that is held between
whole ticks. Bristles: Radau (rtol 1e-10, atol 1e-12), begun anew at each change of torque, with the bristles' torque as a state. Dry friction: DOP853 (rtol 1e-11), its sticking, breaking away and reversals located
as events. The equations are those of the plant's own pages; the solvers and the code are not. Numbers of bristles:
`paper` are those of the mass drawn by a spring in Canudas de Wit et al. (1995), from memory, read as rotary SI; the others
are our own.

    python tools/compare/friction.py
"""

import json
import math
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

OUT = Path(__file__).parents[2] / "tests/data/friction.json"


def coupled(case, y):
    """Torque on each node of all but the friction of the last, without the motor's."""
    inertias = case["inertia_kgm2"]
    if len(inertias) == 1:
        return [0.0]
    k, d = case["stiffness_nm_per_rad"], case["damping_nms_per_rad"]
    pull = k * (y[0] - y[1]) + d * (y[2] - y[3])
    return [-pull, pull]


def steady(f, w):
    return f["kinetic_nm"] + (f["static_nm"] - f["kinetic_nm"]) * math.exp(
        -abs(w / f["stribeck_rad_per_s"]) ** f["stribeck_exponent"]
    )


def pieces(case):
    starts = case["torque"] + [[case["ticks"], 0.0]]
    for (begin, torque), (end, _) in zip(starts, starts[1:]):
        yield begin, end, torque


class Samples:
    def __init__(self, case):
        self.case, self.rows = case, []
        self.every = case["sample_every"]

    def take(self, solution, begin, end):
        """Samples in [begin, end) s."""
        hz = self.case["tick_hz"]
        tick = len(self.rows) * self.every
        while tick / hz < end and tick / hz >= begin:
            self.rows.append(solution(tick / hz))
            tick = len(self.rows) * self.every


def bristle(case):
    f, inertias, hz = case["friction"], case["inertia_kgm2"], case["tick_hz"]
    n = len(inertias)
    s0, s1, s2 = f["stiffness_nm_per_rad"], f["damping_nms_per_rad"], f["viscous_nms_per_rad"]
    y = np.array(case.get("angle_rad", [0.0] * n) + case["speed_rad_per_s"] + [0.0])
    samples = Samples(case)

    def motion(torque):
        def derivative(_, y):
            w, spring = y[2 * n - 1], y[2 * n]
            bend = w - abs(w) * spring / steady(f, w)
            net = coupled(case, y)
            net[0] += torque
            net[-1] -= spring + s1 * bend + s2 * w
            return np.array([*y[n : 2 * n], *(t / j for t, j in zip(net, inertias)), s0 * bend])

        return derivative

    for begin, end, torque in pieces(case):
        t, end = begin / hz, end / hz
        run = solve_ivp(motion(torque), (t, end), y, "Radau", dense_output=True, rtol=1e-10, atol=1e-12)
        assert run.success
        samples.take(run.sol, t, end)
        t, y = end, run.y[:, -1].copy()
    samples.take(lambda _: y, t, end + 1.0 / hz)
    return samples.rows, []


def varying(case):
    f, inertias, hz = case["friction"], case["inertia_kgm2"], case["tick_hz"]
    n = len(inertias)
    y = np.array(case.get("angle_rad", [0.0] * n) + case["speed_rad_per_s"])
    sides = {1.0: f, -1.0: {**f, **f["negative"]}}
    place = lambda angle: 1.0 + f["amplitude"] * math.sin(f["per_turn"] * angle + f["phase_rad"])
    samples, events = Samples(case), []
    warmth = 0.0
    warm = 1.0

    def net(torque, y):
        found = coupled(case, y)
        found[0] += torque
        return found

    def motion(torque, mode):
        def derivative(_, y):
            found = net(torque, y)
            w = y[2 * n - 1]
            if mode != 0.0:
                side = sides[mode]
                dry = mode * steady(side, w) * place(y[n - 1]) + side["viscous_nms_per_rad"] * w
                found[-1] -= warm * dry
            else:
                found[-1] = 0.0
            return np.array([*y[n:], *(t / j for t, j in zip(found, inertias))])

        return derivative

    def holds(torque, y):
        if f["static_nm"] == 0.0 and f["negative"]["static_nm"] == 0.0:
            return False
        pull, angle = net(torque, y)[-1], y[n - 1]
        return -warm * sides[-1.0]["static_nm"] * place(angle) <= pull <= warm * sides[1.0]["static_nm"] * place(angle)

    mode = math.copysign(1.0, y[-1]) if y[-1] != 0.0 else 0.0
    steps = list(pieces(case))
    if "warming" in f:
        steps = [(tick, tick + 1, torque) for begin, end, torque in steps for tick in range(begin, end)]
    for begin, end, torque in steps:
        t, end = begin / hz, end / hz
        if "warming" in f:
            w = abs(y[-1])
            side = sides[mode or 1.0]
            power = warm * (steady(side, w) * place(y[n - 1]) + side["viscous_nms_per_rad"] * w) * w
            warming = f["warming"]
            share = 1.0 - math.exp(-1.0 / hz / warming["time_constant_s"])
            warmth += (power / warming["power_w"] - warmth) * share
            warm = 1.0 - warming["fall"] * warmth / (1.0 + warmth)
        if mode == 0.0 and not holds(torque, y):
            mode = math.copysign(1.0, net(torque, y)[-1])
            events.append([t, "breaks_away", mode])
        while t < end:
            if mode == 0.0:
                ends = []
                for side in (1.0, -1.0):
                    spare = (
                        lambda _, y, side=side: warm * sides[side]["static_nm"] * place(y[n - 1])
                        - side * net(torque, y)[-1]
                    )
                    spare.terminal, spare.direction = True, -1
                    ends.append(spare)
            else:
                stop = lambda _, y: mode * y[2 * n - 1]
                stop.terminal, stop.direction = True, -1
                ends = [stop]
            run = solve_ivp(
                motion(torque, mode),
                (t, end),
                y,
                "DOP853",
                dense_output=True,
                rtol=1e-11,
                atol=1e-13,
                events=ends,
                max_step=5e-4,
            )
            assert run.success
            samples.take(run.sol, t, run.t[-1])
            t, y = run.t[-1], run.y[:, -1].copy()
            if run.status != 1:
                continue
            if mode == 0.0:
                mode = 1.0 if len(run.t_events[0]) else -1.0
                events.append([t, "breaks_away", mode])
                continue
            y[2 * n - 1] = 0.0
            if holds(torque, y):
                events.append([t, "sticks", mode])
                mode = 0.0
            else:
                mode = math.copysign(1.0, net(torque, y)[-1])
    samples.take(lambda _: y, t, end + 1.0 / hz)
    return samples.rows, events


def waves(ticks, every, peak, periods):
    """A torque in steps: two sines that do not repeat."""
    return [
        [tick, peak * (math.sin(2 * math.pi * periods * tick / ticks) + 0.4 * math.sin(2 * math.pi * 3.7 * periods * tick / ticks))]
        for tick in range(0, ticks, every)
    ]


def bristles(kinetic, static, stribeck, viscous, stiffness, damping, exponent=2.0):
    return {
        "kinetic_nm": kinetic,
        "static_nm": static,
        "stribeck_rad_per_s": stribeck,
        "stribeck_exponent": exponent,
        "viscous_nms_per_rad": viscous,
        "stiffness_nm_per_rad": stiffness,
        "damping_nms_per_rad": damping,
    }


def cases():
    two = {"stiffness_nm_per_rad": 260.0, "damping_nms_per_rad": 0.06}
    common = {"tick_hz": 8000, "ticks": 2000, "sample_every": 8}
    yield bristle, {
        "name": "bristle_paper",
        "tick_hz": 1000,
        "ticks": 12000,
        "sample_every": 40,
        # A node so heavy that the spring's end moves on at 0.1 rad/s.
        "inertia_kgm2": [1e9, 1.0],
        "stiffness_nm_per_rad": 2.0,
        "damping_nms_per_rad": 0.0,
        "speed_rad_per_s": [0.1, 0.0],
        "torque": [[0, 0.0]],
        "friction": bristles(1.0, 1.5, 0.001, 0.4, 1e5, math.sqrt(1e5)),
    }
    yield bristle, {
        "name": "bristle_axis",
        **common,
        "inertia_kgm2": [0.0004],
        "speed_rad_per_s": [0.0],
        "torque": waves(2000, 40, 0.5, 2),
        "friction": bristles(0.25, 0.38, 0.8, 0.001, 6000.0, 1.0),
    }
    yield bristle, {
        "name": "bristle_presliding",
        **common,
        "ticks": 480,
        "inertia_kgm2": [0.0004],
        "speed_rad_per_s": [0.0],
        "torque": waves(480, 40, 0.2, 1),
        "friction": bristles(0.25, 0.38, 0.8, 0.001, 6000.0, 1.0),
    }
    yield bristle, {
        "name": "bristle_two_masses",
        **common,
        "ticks": 1000,
        **two,
        "inertia_kgm2": [0.0004, 0.0034],
        "speed_rad_per_s": [0.0, 0.0],
        "torque": waves(1000, 40, 0.6, 1),
        "friction": bristles(0.25, 0.38, 0.8, 0.001, 25000.0, 2.0, 1.0),
    }
    yield bristle, {
        "name": "bristle_stiff",
        **common,
        "ticks": 400,
        **two,
        "inertia_kgm2": [0.0004, 0.0034],
        "speed_rad_per_s": [0.0, 0.0],
        "torque": waves(400, 40, 1.5, 1),
        "friction": bristles(0.25, 0.38, 4.0, 0.001, 2e6, 1.0),
    }
    yield bristle, {
        "name": "bristle_very_stiff",
        **common,
        "ticks": 240,
        "inertia_kgm2": [0.0034],
        "speed_rad_per_s": [0.0],
        "torque": waves(240, 40, 3.0, 1),
        "friction": bristles(0.25, 0.38, 8.0, 0.001, 1e7, 0.5),
    }
    dry = {
        "kinetic_nm": 0.20,
        "static_nm": 0.30,
        "stribeck_rad_per_s": 0.8,
        "stribeck_exponent": 2.0,
        "viscous_nms_per_rad": 0.002,
        "negative": {"kinetic_nm": 0.26, "static_nm": 0.41, "viscous_nms_per_rad": 0.004},
        "per_turn": 0,
        "amplitude": 0.0,
        "phase_rad": 0.0,
    }
    uneven = {**dry, "per_turn": 7, "amplitude": 0.4, "phase_rad": 0.5}
    smooth = {"kinetic_nm": 0.0, "static_nm": 0.0}
    for name, friction, torque in [
        ("direction", dry, 0.45),
        ("direction_viscous_only", {**dry, **smooth, "negative": {**dry["negative"], **smooth}}, 0.1),
        ("per_turn", {**uneven, "negative": {k: dry[k] for k in dry["negative"]}}, 0.45),
        ("direction_and_per_turn", uneven, 0.5),
    ]:
        yield varying, {
            "name": name,
            **common,
            **two,
            "inertia_kgm2": [0.0004, 0.0034],
            "speed_rad_per_s": [1.0, 1.0] if name == "direction_viscous_only" else [0.0, 0.0],
            "torque": waves(2000, 20, torque, 2),
            "friction": friction,
        }
    yield varying, {
        "name": "warming",
        "tick_hz": 2000,
        "ticks": 1200,
        "sample_every": 4,
        "inertia_kgm2": [0.0034],
        "speed_rad_per_s": [0.0],
        "torque": [[0, 0.5], [600, 0.32], [800, -0.6], [1100, 0.0]],
        "friction": {**dry, "warming": {"fall": 0.6, "power_w": 4.0, "time_constant_s": 0.1}},
    }


def solved(index):
    solve, case = list(cases())[index]
    rows, events = solve(case)
    n = len(case["inertia_kgm2"])
    assert len(rows) == case["ticks"] // case["sample_every"] + 1, (case["name"], len(rows))
    case["kind"] = solve.__name__
    case["angle_rad"] = [[float(f"{row[i]:.12e}") for row in rows] for i in range(n)]
    case["speed_found_rad_per_s"] = [[float(f"{row[n + i]:.12e}") for row in rows] for i in range(n)]
    case["events"] = events
    print(case["name"], len(rows), len(events), flush=True)
    return case


def main():
    with Pool(6) as pool:
        found = pool.map(solved, range(len(list(cases()))), chunksize=1)
    OUT.write_text(json.dumps({"source": "tools/compare/friction.py", "cases": found}, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
