"""Reference trajectories of motors with a winding, by SciPy: writes tests/data/trajectories/g_*, h_* and i_*.json.

    python3 tools/compare/winding.py            (with the packages of tools/compare/requirements.txt)

Two masses, the first one the rotor of a synchronous machine under a voltage that is held in the stator's frame from one
start to the next. Smooth stretches by DOP853 (rtol 1e-12, atol 1e-14), ended where a contact opens or closes on its dense
output. The equations are written out here from the textbook form: machine in the rotor's frame, coupling with play after
Nordin, Galic and Gutman; nothing is taken from the program. Each case is computed again with Radau and with the last
node's start angle 1e-10 rad further; the largest differences are written into the file.
"""

import json
import math
import pathlib

import numpy as np
import scipy
from scipy.integrate import solve_ivp

TICK_HZ = 8000.0
HOLD_S = 0.001
MOTOR = {"pole_pairs": 4, "resistance_ohm": 1.2, "inductance_d_h": 3.0e-3, "inductance_q_h": 4.5e-3,
         "flux_linkage_vs": 0.08, "rotor_offset_rad": 0.3, "bus_v": 320.0}
NODES = [(4.2e-4, 1.1e-4), (1.2e-3, 8.0e-4)]
STIFFNESS, DAMPING = 260.0, 0.05
SATURATION = {"current_a": 8.0, "share_d": 0.85, "share_q": 0.7, "share_cross": 0.9}
RIPPLE = [{"per_electrical_turn": 6, "share": 0.04, "phase_rad": 0.5}]
DEAD_TIME = {"error_v": 4.0, "knee_a": 0.3}


class Machine:
    def __init__(self, half_gap_rad, rich, wanted):
        self.a, self.wanted = half_gap_rad, wanted
        m = MOTOR
        self.p, self.r, self.psi = m["pole_pairs"], m["resistance_ohm"], m["flux_linkage_vs"]
        self.ld, self.lq, self.offset = m["inductance_d_h"], m["inductance_q_h"], m["rotor_offset_rad"]
        self.cubic_d = self.cubic_q = self.cross = 0.0
        self.ripple, self.dead = [], None
        if rich:
            # Shares of the linkages that are left at the current: (1 - s) I = cubic (s L I)^3, and likewise across.
            amps = SATURATION["current_a"]
            full_d = SATURATION["share_d"] * self.ld * amps
            full_q = SATURATION["share_q"] * self.lq * amps
            self.cubic_d = (1 - SATURATION["share_d"]) * amps / full_d**3
            self.cubic_q = (1 - SATURATION["share_q"]) * amps / full_q**3
            self.cross = (1 / SATURATION["share_cross"] - 1) / (self.ld * full_q**2)
            self.ripple, self.dead = RIPPLE, DEAD_TIME

    def currents(self, x, y):
        return (x / self.ld + self.cubic_d * x**3 + self.cross * x * y * y,
                y / self.lq + self.cubic_q * y**3 + self.cross * x * x * y)

    def magnet(self, angle):
        """What stands in the back-EMF in d and q, per electrical speed."""
        d, q = 0.0, self.psi
        for one in self.ripple:
            n, s = one["per_electrical_turn"], one["share"] * self.psi
            d += s / n * math.sin(n * angle + one["phase_rad"])
            q += s * math.cos(n * angle + one["phase_rad"])
        return d, q

    def electric(self, theta, w, x, y, voltage):
        angle = self.p * theta + self.offset
        s, c = math.sin(angle), math.cos(angle)
        i_d, i_q = self.currents(x, y)
        alpha, beta = voltage
        if self.dead:
            i_alpha, i_beta = c * i_d - s * i_q, s * i_d + c * i_q
            phases = (i_alpha, -0.5 * i_alpha + math.sqrt(0.75) * i_beta, -0.5 * i_alpha - math.sqrt(0.75) * i_beta)
            u = [-self.dead["error_v"] * i / math.sqrt(i * i + self.dead["knee_a"] ** 2) for i in phases]
            alpha += (2 * u[0] - u[1] - u[2]) / 3
            beta += (u[1] - u[2]) / math.sqrt(3)
        v_d, v_q = c * alpha + s * beta, c * beta - s * alpha
        e_d, e_q = self.magnet(angle)
        electrical = self.p * w
        torque = 1.5 * self.p * ((x + e_q) * i_q - (y + e_d) * i_d)
        return (v_d - self.r * i_d + electrical * (y + e_d), v_q - self.r * i_q - electrical * (x + e_q), torque)

    def coupling(self, state, mode):
        _, w0, twist, w1, _, _, _, b = state
        return 0.0 if mode == 0 else STIFFNESS * (twist - b) + DAMPING * (w0 - w1)

    def slope(self, state, mode, voltage):
        theta, w0, twist, w1, _, x, y, b = state
        dx, dy, torque = self.electric(theta, w0, x, y, voltage)
        passed = self.coupling(state, mode)
        db = 0.0 if mode != 0 else w0 - w1 + STIFFNESS / DAMPING * (twist - b)
        (j0, b0), (j1, b1) = NODES
        return [w0, (torque - passed - b0 * w0) / j0, w0 - w1, (passed - b1 * w1) / j1, w1, dx, dy, db]

    def controlled(self, state, time):
        """A voltage that turns the machine to and fro; rounded, so that the file holds it exactly."""
        wanted = self.wanted[0 if math.floor(time / 0.013) % 3 != 1 else 1]
        theta, w0 = state[0], state[1]
        electrical = self.p * w0
        v_d, v_q = -electrical * self.lq * wanted, self.r * wanted + electrical * self.psi
        if self.dead:
            v_q += math.copysign(4 / math.pi * self.dead["error_v"], wanted)
        angle = self.p * (theta + 0.5 * HOLD_S * w0) + self.offset
        s, c = math.sin(angle), math.cos(angle)
        return (round(c * v_d - s * v_q, 3), round(s * v_d + c * v_q, 3))


def run(machine, until_s, start, voltages=None, method="DOP853", rtol=1e-12, atol=1e-14):
    state, mode = np.array(start, dtype=float), (2 if machine.a == 0 else 0)
    holds, events = int(round(until_s / HOLD_S)), []
    given, samples = [], [np.array(state)]
    for hold in range(holds):
        time, end = hold * HOLD_S, (hold + 1) * HOLD_S
        voltage = voltages[hold] if voltages else machine.controlled(state, time)
        given.append(voltage)
        while time < end:
            found = []
            if mode == 0:
                found = [lambda t, z, side=side: side * z[7] - machine.a for side in (1, -1)]
                for one in found:
                    one.terminal, one.direction = True, 1
            elif mode != 2:
                found = [lambda t, z: mode * machine.coupling(z, mode)]
                found[0].terminal, found[0].direction = True, -1
            step = solve_ivp(lambda t, z: machine.slope(z, mode, voltage), (time, end), state, method=method, rtol=rtol,
                             atol=atol, max_step=1e-4, events=found or None)
            assert step.success
            state, time = step.y[:, -1], step.t[-1]
            if step.status == 1:
                if mode == 0:
                    mode = 1 if len(step.t_events[0]) else -1
                    state[7] = mode * machine.a
                    events.append({"time_s": time, "kind": "gap_closes", "coupling": 0, "side": mode})
                else:
                    events.append({"time_s": time, "kind": "gap_opens", "coupling": 0, "side": mode})
                    mode = 0
        samples.append(np.array(state))
    torque = [machine.coupling(z, mode_of(machine, z)) for z in samples]
    return np.array(samples), np.array(torque), events, given


def mode_of(machine, state):
    if machine.a == 0:
        return 2
    return int(np.sign(state[7])) if abs(state[7]) == machine.a else 0


def worst(samples, others):
    span = samples.max(axis=0) - samples.min(axis=0)
    return float(np.max(np.abs(samples - others)[:, span > 0] / span[span > 0]))


def case(name, title, half_gap_rad, rich, wanted, until_s):
    machine = Machine(half_gap_rad, rich, wanted)
    start = [0.0] * 8
    samples, torque, events, given = run(machine, until_s, start)
    radau, _, radau_events, _ = run(machine, until_s, start, given, "Radau", 1e-10, 1e-12)
    shifted = list(start)
    shifted[2], shifted[4] = -1e-10, 1e-10
    moved, _, moved_events, _ = run(machine, until_s, shifted, given)
    currents = np.array([machine.currents(z[5], z[6]) for z in samples])
    print(name, len(events), len(radau_events), len(moved_events), worst(samples, radau), worst(samples, moved),
          samples.min(axis=0), samples.max(axis=0), currents.min(axis=0), currents.max(axis=0))
    r = lambda values: [float(f"{value:.15g}") for value in values]
    friction = lambda viscous: {"kind": "coulomb", "kinetic_nm": 0.0, "static_nm": 0.0, "stribeck_rad_per_s": 1.0,
                                "stribeck_exponent": 2.0, "viscous_nms_per_rad": viscous}
    motor = dict(MOTOR)
    if rich:
        motor |= {"saturation": SATURATION, "flux_ripple": RIPPLE, "dead_time": DEAD_TIME}
    file = {
        "title": title,
        "source": "tools/compare/winding.py",
        "tick_hz": TICK_HZ,
        "duration_s": until_s,
        "motor": motor,
        "nodes": [{"inertia_kgm2": j, "friction": friction(b)} for j, b in NODES],
        "couplings": [{"stiffness_nm_per_rad": STIFFNESS, "damping_nms_per_rad": DAMPING,
                       "half_gap_rad": half_gap_rad, "ratio_motor_turns_per_load_turn": 1.0}],
        "voltage_profile": {"form": "[start_s, alpha_v, beta_v] in the stator's frame, held up to the next start",
                            "pieces": [[round(i * HOLD_S, 6), *v] for i, v in enumerate(given)]},
        "initial_state": {"angle_rad": [0.0, 0.0], "speed_rad_per_s": [0.0, 0.0], "gap_position_rad": [0.0]},
        "events": events,
        "solver": {"kind": f"DOP853 on every smooth stretch, events on its dense output, SciPy {scipy.__version__}",
                   "rtol": 1e-12, "atol": 1e-14, "max_step_s": 1e-4},
        "estimated_error": {
            "meaning": "largest difference over all samples divided by the span of that state",
            "against_radau_rtol_1e_10": worst(samples, radau), "events_by_radau": len(radau_events),
            "change_when_load_starts_1e_10_rad_further": worst(samples, moved), "events_then": len(moved_events)},
        "sample_s": r(np.arange(len(samples)) * HOLD_S),
        "angle_rad": [r(samples[:, 0]), r(samples[:, 4])],
        "speed_rad_per_s": [r(samples[:, 1]), r(samples[:, 3])],
        "coupling_torque_nm": [r(torque)],
        "gap_position_rad": [r(samples[:, 7]) if half_gap_rad else None],
        "current_dq_a": [r(currents[:, 0]), r(currents[:, 1])],
    }
    folder = pathlib.Path(__file__).resolve().parents[2] / "tests/data/trajectories"
    (folder / f"{name}.json").write_text(json.dumps(file) + "\n")


case("g_synchronous_smooth", "Synchronous machine with unlike inductances on two masses, held voltages", 0.0, False, (12.0, -8.0), 0.2)
case("h_synchronous_play", "The same with 6.9 arcmin of play", 1e-3, False, (3.5, -5.0), 0.2)
case("i_synchronous_effects", "The same with play, saturation, flux harmonics and dead time", 1e-3, True, (8.0, -10.0), 0.2)
