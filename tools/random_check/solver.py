"""The train's published equations solved by SciPy from event to event.

Play after Nordin, Galic and Gutman (state b, torque T = k (x - b) + d (x' - b')), Coulomb friction with Stribeck's curve and exact
stick. Within a pattern of contacts and sticking nodes the equations are smooth: DOP853 solves them, and on each of its
steps every function that ends the pattern is sampled on the dense output, its dips looked into, its first root found by Brent.
In an open gap the strain x - b follows (x - b)' = -(k/d) (x - b), which is solved in closed form.

Speeds, twists and the last angle are the states: a twist as the difference of two angles would lose its digits.
What this does not do: read the program's output. Start reading at `Solution`.
"""
import math

import numpy as np
from scipy.integrate import DOP853
from scipy.optimize import brentq, minimize_scalar

from draw import ARCMIN, END_S, RPM, TICK_HZ

RTOL = 1e-12
# Relative to the size that each state has in the motion.
ATOL = 1e-14
# Points on a step at which the functions are sampled; dips between them are looked into.
SAMPLES = 12
# What lies this far below 0, as a share of the function's own size, is rounding, where it began at 0.
ROUNDING = 1e-11
EVENTS_MAX = 20000
# Stages of a step that is too long look at speeds far beyond a reversal: an exponent of 1 would overflow there.
BEYOND = -30.0


class TooManyEvents(Exception):
    pass


class Solution:
    """States at every tick and the events of one machine, from rest; the last node's angle may start shifted."""

    def __init__(self, machine, shift_rad=0.0):
        self.inertia = np.array(machine["inertia_kgm2"])
        self.n = len(self.inertia)
        c = machine["couplings"]
        self.ratio = np.array([x["ratio"] for x in c])
        self.k = np.array([x["stiffness_nm_per_rad"] for x in c])
        self.d = np.array([x["damping_nms_per_rad"] for x in c])
        self.a = np.array([x["backlash_arcmin"] * ARCMIN / 2 for x in c])
        f = [x or {} for x in machine["friction"]]
        self.kinetic = np.array([x.get("kinetic_nm", 0.0) for x in f])
        self.static = np.array([x.get("static_nm", 0.0) for x in f])
        self.ws = np.array([x.get("stribeck_rpm", 1.0) * RPM for x in f])
        self.exponent = np.array([x.get("stribeck_exponent", 2.0) for x in f])
        self.viscous = np.array([x.get("viscous_nms_per_rad", 0.0) for x in f])
        self.peak = machine["peak_nm"]
        self.set_sizes()
        n, m = self.n, self.n - 1
        self.y = np.zeros(n + m + 1)
        self.y[n + m] = shift_rad
        self.y[n + m - 1] = -shift_rad
        # Contact: None without play, else -1, 0 (open), +1. In the open gap the strain's size at a time.
        self.contact = [None if a == 0 else 0 for a in self.a]
        self.strain = [(0.0, 0.0)] * m
        self.strain[m - 1] = (-shift_rad if self.a[m - 1] and self.d[m - 1] else 0.0, 0.0)
        # Motion: None without dry friction, 0 held, +1 or -1 sliding.
        self.motion = [0 if s > 0 else None for s in self.static]
        self.from_zero = set()
        self.events, self.steps = [], 0
        self.torque = 0.0
        ticks = int(END_S * TICK_HZ)
        self.rows = np.zeros((ticks + 1, 2 * n + 2 * m))
        self.next_row = 0
        self.run(machine["torque"], ticks)

    def set_sizes(self):
        """Of speeds, twists and angle, for the absolute tolerance."""
        n, ratio, reflected = self.n, 1.0, self.inertia[0]
        reach = [1.0]
        for i in range(n - 1):
            ratio *= self.ratio[i]
            reach.append(ratio)
            reflected += self.inertia[i + 1] / ratio ** 2
        speed = self.peak / reflected * 0.05
        twist = [self.peak * reach[j + 1] / self.k[j] + self.a[j] for j in range(n - 1)]
        self.sizes = np.array([speed / r for r in reach] + twist + [speed / ratio * 0.1])
        self.torque_sizes = np.array([self.peak * r for r in reach])

    # ------------------------------------------------------------------------------------------------ the pattern

    def build(self):
        """Matrices of the present pattern: y' = A y + c less Stribeck's part; torques and net torques as rows."""
        n, m = self.n, self.n - 1
        size = n + m + 1
        self.t_rows, self.t_const = np.zeros((m, size)), np.zeros(m)
        for j in range(m):
            if self.contact[j] == 0:
                continue
            side = self.contact[j] or 0
            self.t_rows[j, n + j] = self.k[j]
            self.t_const[j] = -self.k[j] * side * self.a[j]
            self.t_rows[j, j] += self.d[j] / self.ratio[j]
            self.t_rows[j, j + 1] -= self.d[j]
        self.net_rows, self.net_const = np.zeros((n, size)), np.zeros(n)
        self.net_const[0] = self.torque
        for j in range(m):
            self.net_rows[j] -= self.t_rows[j] / self.ratio[j]
            self.net_const[j] -= self.t_const[j] / self.ratio[j]
            self.net_rows[j + 1] += self.t_rows[j]
            self.net_const[j + 1] += self.t_const[j]
        a, c = np.zeros((size, size)), np.zeros(size)
        bent = []
        for i in range(n):
            if self.motion[i] == 0:
                continue
            a[i] = self.net_rows[i] / self.inertia[i]
            a[i, i] -= self.viscous[i] / self.inertia[i]
            direction = self.motion[i] or 0
            c[i] = (self.net_const[i] - direction * self.kinetic[i]) / self.inertia[i]
            if direction and self.static[i] > self.kinetic[i]:
                bent.append(i)
        for j in range(m):
            a[n + j, j] = 1 / self.ratio[j]
            a[n + j, j + 1] = -1
        a[n + m, n - 1] = 1
        self.matrix, self.const = a, c
        self.set_bent(bent)
        self.set_functions()

    def set_bent(self, bent):
        self.bent = np.array(bent, dtype=int)
        direction = np.array([self.motion[i] for i in bent], dtype=float)
        self.bent_scale = direction / self.ws[self.bent] if bent else np.zeros(0)
        excess = self.static[self.bent] - self.kinetic[self.bent] if bent else np.zeros(0)
        self.bent_rate = direction * excess / self.inertia[self.bent] if bent else np.zeros(0)
        self.squares = self.exponent[self.bent] == 2.0 if bent else np.zeros(0, dtype=bool)

    def slope(self, _t, y):
        dy = self.matrix @ y
        dy += self.const
        if len(self.bent):
            z = y[self.bent] * self.bent_scale
            dy[self.bent] -= self.bent_rate * np.exp(-np.where(self.squares, z * z, np.maximum(z, BEYOND)))
        return dy

    def set_functions(self):
        """What is at or above 0 while the pattern holds: rows, constants, and the sign of an open gap's strain."""
        n, rows, consts, names, sizes = self.n, [], [], [], []

        def add(row, const, name, size):
            rows.append(row)
            consts.append(const)
            names.append(name)
            sizes.append(size)

        unit = np.eye(len(self.y))
        for j, contact in enumerate(self.contact):
            if contact is None:
                continue
            if contact:
                add(contact * self.t_rows[j], contact * self.t_const[j], ("opens", j, contact), self.torque_sizes[j + 1])
            else:
                for side in (1, -1):
                    add(-side * unit[n + j], self.a[j], ("closes", j, side), self.a[j])
        for i, motion in enumerate(self.motion):
            if motion is None:
                continue
            if motion:
                add(motion * unit[i], 0.0, ("rests", i, motion), self.sizes[i])
            else:
                for side in (1, -1):
                    add(-side * self.net_rows[i], self.static[i] - side * self.net_const[i], ("tears", i, side),
                        self.torque_sizes[i])
        self.f_rows = np.array(rows).reshape(len(rows), len(self.y))
        self.f_const, self.f_names, self.f_sizes = np.array(consts), names, np.array(sizes)

    def functions(self, t, y):
        """Their values at times t and states y (one column a time)."""
        values = self.f_rows @ y + self.f_const[:, None]
        for place, (name, j, side) in enumerate(self.f_names):
            if name == "closes":
                values[place] += side * self.strain_at(j, t)
        return values

    def strain_at(self, j, t):
        size, since = self.strain[j]
        if size == 0.0:
            return 0.0 * t
        return size * np.exp(-self.k[j] / self.d[j] * (t - since))

    # ------------------------------------------------------------------------------------------------ moving

    def run(self, torque, ticks):
        starts = [tick for tick, _ in torque] + [ticks]
        for (tick, value), end in zip(torque, starts[1:]):
            self.torque = value
            # Only what an event has just put at 0 begins there; a new torque puts nothing there.
            self.from_zero = set()
            t, t_end = tick / TICK_HZ, end / TICK_HZ
            self.build()
            self.tear_off(t)
            while t < t_end:
                t = self.move(t, t_end)
        self.write_rows(END_S, lambda t: np.repeat(self.y[:, None], len(t), 1), last=True)

    def move(self, t, t_end):
        """Until the pattern ends or t_end; the state is then that of the returned time."""
        self.build()
        solver = DOP853(self.slope, t, self.y, t_end, rtol=RTOL, atol=ATOL * self.sizes, max_step=1e-3)
        fresh = True
        while solver.status == "running":
            self.limit_step(solver)
            message = solver.step()
            self.steps += 1
            if solver.status == "failed":
                raise RuntimeError(message)
            dense = solver.dense_output()
            found = self.first_root(solver.t_old, solver.t, dense, fresh)
            if found is None:
                self.write_rows(solver.t, dense)
                fresh = False
                continue
            when, names = found
            self.write_rows(when, dense)
            self.y = dense(when)
            self.change(when, names)
            return when
        self.y = solver.y.copy()
        return t_end

    def limit_step(self, solver):
        """A step changes a sliding node's speed by no more than half of it or of the Stribeck speed: DOP853 could step
        over the whole of a narrow curve else."""
        longest = 1e-3
        if len(self.bent):
            slope = np.abs(self.slope(0.0, solver.y)[self.bent])
            reach = np.maximum(np.abs(solver.y[self.bent]), self.ws[self.bent])
            longest = min(longest, float(np.min(0.5 * reach / np.maximum(slope, 1e-300))))
        # A shaft that relaxes fast in its gap bends b by itself, however smooth the states are.
        for j, contact in enumerate(self.contact):
            if contact == 0 and self.strain_at(j, solver.t) ** 2 > (1e-13 * self.a[j]) ** 2:
                longest = min(longest, self.d[j] / self.k[j])
        solver.max_step = max(longest, 1e-9)

    def first_root(self, t_old, t_new, dense, fresh):
        """The earliest root of any function in a step, with all that end there. Functions that begin at 0 have noise there."""
        if not self.f_names:
            return None
        times = t_old + (t_new - t_old) * np.linspace(0, 1, SAMPLES + 1)
        values = self.functions(times, dense(times))
        found = []
        for place, name in enumerate(self.f_names):
            v = values[place]
            began = fresh and name in self.from_zero
            floor = -ROUNDING * self.f_sizes[place] if began else 0.0
            root = self.root_of(place, times, v, dense, floor, began)
            if root is not None:
                found.append((root, name))
        if not found:
            return None
        when = min(found)[0]
        return when, [name for root, name in found if root <= when + 1e-14]

    def root_of(self, place, times, v, dense, floor, began):
        def value(t):
            at = np.array([t])
            return float(self.functions(at, dense(at))[place, 0])

        first = 1 if began else 0
        for i in range(first, len(times)):
            if v[i] < floor or (v[i] < 0 and i > 1):
                if i == first:
                    return times[0]
                if v[i - 1] < 0:
                    return times[i - 1]
                return brentq(value, times[i - 1], times[i], xtol=1e-16, rtol=1e-15)
            inside = 0 < i < len(times) - 1 and v[i] <= v[i - 1] and v[i] <= v[i + 1] and not (began and i == 1)
            if inside and v[i] < 4 * max(v[i - 1] - v[i], v[i + 1] - v[i]):
                dip = minimize_scalar(value, bounds=(times[i - 1], times[i + 1]), method="bounded", options={"xatol": 1e-13})
                if dip.fun < 0:
                    return brentq(value, times[i - 1], dip.x, xtol=1e-16, rtol=1e-15)
        return None

    # ------------------------------------------------------------------------------------------------ patterns end

    def change(self, t, names):
        """Ends a pattern at an instant: contacts first, then nodes, then what the change tears off."""
        self.from_zero = set()
        for name, place, side in sorted(names, key=lambda x: x[0] not in ("opens", "closes")):
            getattr(self, name)(t, place, side)
        self.build()
        self.tear_off(t)
        self.build()

    def note(self, t, event, kind, place, direction):
        self.events.append((t, event, f"{kind}_{place}", direction))
        if len(self.events) > EVENTS_MAX:
            raise TooManyEvents

    def opens(self, t, j, side):
        self.contact[j] = 0
        # With damping the shaft is still strained where its torque is 0.
        self.strain[j] = (self.y[self.n + j] - side * self.a[j] if self.d[j] else 0.0, t)
        if not self.d[j]:
            self.y[self.n + j] = side * self.a[j]
        self.from_zero.add(("closes", j, side))
        self.note(t, "gap_opens", "coupling", j, side)

    def closes(self, t, j, side):
        self.contact[j] = side
        if not self.d[j]:
            self.y[self.n + j] = side * self.a[j]
            self.from_zero.add(("opens", j, side))
        self.note(t, "gap_closes", "coupling", j, side)

    def rests(self, t, i, direction):
        self.y[i] = 0.0
        self.build()
        net = float(self.net_rows[i] @ self.y + self.net_const[i])
        if abs(net) <= self.static[i]:
            self.motion[i] = 0
            self.note(t, "sticks", "node", i, direction)
        else:
            self.motion[i] = 1 if net > 0 else -1
            self.from_zero.add(("rests", i, self.motion[i]))

    def tears(self, t, i, direction):
        self.motion[i] = direction
        self.from_zero.add(("rests", i, direction))
        self.note(t, "breaks_away", "node", i, direction)

    def tear_off(self, t):
        """Held nodes whose net torque is beyond what friction holds."""
        for i in range(self.n):
            net = float(self.net_rows[i] @ self.y + self.net_const[i])
            if self.motion[i] == 0 and abs(net) > self.static[i]:
                self.tears(t, i, 1 if net > 0 else -1)

    # ------------------------------------------------------------------------------------------------ rows

    def write_rows(self, until, dense, last=False):
        """Every tick before a time (or at it, at the end): angles, speeds, torques, gap positions."""
        stop = len(self.rows) if last else min(len(self.rows), math.ceil(until * TICK_HZ - 1e-9))
        if stop <= self.next_row:
            return
        t = np.arange(self.next_row, stop) / TICK_HZ
        y = dense(t)
        n, m = self.n, self.n - 1
        rows = self.rows[self.next_row:stop]
        angle = y[n + m]
        rows[:, n - 1] = angle
        for j in reversed(range(m)):
            angle = self.ratio[j] * (angle + y[n + j])
            rows[:, j] = angle
        rows[:, n:2 * n] = y[:n].T
        torque = self.t_rows @ y + self.t_const[:, None]
        rows[:, 2 * n:2 * n + m] = torque.T
        for j in range(m):
            if self.contact[j]:
                rows[:, 2 * n + m + j] = self.contact[j] * self.a[j]
            elif self.contact[j] == 0:
                rows[:, 2 * n + m + j] = y[n + j] - self.strain_at(j, t)
        self.next_row = stop
