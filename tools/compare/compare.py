"""The program's numbers against SciPy's and python-control's.

usage: python compare.py EXPORT.json

EXPORT.json is what `PLANTSTAND_COMPARE_OUT=EXPORT.json cargo test --release --test compare_export` writes: the numbers of
machines, drives and recorded windows, and what the program found in them. Nothing of the program is used here but those
numbers: the discretisation is scipy.signal.cont2discrete's, each loop is built once more in angles and speeds from the
machine's numbers, the margins are python-control's stability_margins and SciPy's root finder on that loop's frequency
response, the measures are control.step_info's where its definitions are the same, else NumPy and SciPy on the same samples.

Prints a table with the largest difference of every kind and exits 1 when one is beyond its tolerance.
"""
import json
import math
import sys

import control
import numpy as np
from scipy import integrate, optimize, signal

TAU = 2 * math.pi
RPM = TAU / 60

# kind: (tolerance, what it is a difference of, why this tolerance)
TOLERANCES = {
    "discretisation": (1e-9, "relative to the row's largest entry"),
    "discretisation, input": (1e-9, "relative to the largest entry"),
    "stable": (0.5, "yes or no"),
    "largest pole": (1e-9, "absolute; control.feedback"),
    "number of crossings": (0.5, "count"),
    "phase margin": (1e-6, "relative; SciPy on the frequency response"),
    "gain margin": (1e-6, "relative; SciPy on the frequency response"),
    "delay margin": (1e-6, "relative; SciPy on the frequency response"),
    "crossover": (1e-6, "relative; SciPy on the frequency response"),
    "crossings, frequency": (1e-6, "relative; SciPy on the frequency response"),
    "sensitivity peak": (1e-6, "relative; SciPy on the frequency response"),
    "bandwidth": (1e-6, "relative; SciPy on control.feedback's response"),
    "resonance peak": (1e-6, "absolute in dB; SciPy on control.feedback's response"),
    "stability_margins, phase": (1e-6, "degrees; python-control on the frequency response"),
    "stability_margins, gain": (1e-6, "relative; python-control on the frequency response"),
    "stability_margins, sensitivity": (1e-6, "relative; python-control on the frequency response"),
    "overshoot, step_info": (1e-9, "percent; control.step_info"),
    "peak time, step_info": (1e-9, "s; control.step_info"),
    "rise time, step_info": (1.01, "ticks: step_info does not interpolate"),
    "settling time, step_info": (1.01, "ticks: step_info does not interpolate"),
    "step measures": (1e-9, "relative; NumPy on the same samples"),
    "integral measures": (1e-9, "relative; scipy.integrate on the same samples"),
    "load measures": (1e-9, "relative; NumPy on the same samples"),
    "torque noise": (1e-9, "relative; scipy.signal.butter and lfilter"),
    "ripple and travel": (1e-9, "relative; NumPy on the same samples"),
    "has a number": (0.5, "yes or no"),
}


class Ledger:
    """The largest difference of every kind, and where it was."""

    def __init__(self):
        self.worst = {kind: (0.0, 0, "") for kind in TOLERANCES}

    def note(self, kind, difference, where):
        worst, count, place = self.worst[kind]
        difference = abs(difference) if math.isfinite(difference) else math.inf
        self.worst[kind] = (difference, count + 1, where) if worst <= difference else (worst, count + 1, place)

    def relative(self, kind, found, expected, where):
        if found is None or expected is None:
            self.note("has a number", float((found is None) != (expected is None)), f"{where}: {kind} {found} {expected}")
            return
        self.note(kind, (found - expected) / max(abs(expected), 1e-12), where)

    def report(self):
        """Prints the table; whether everything is within its tolerance."""
        print(f"{'compared':32} {'count':>6} {'largest':>10} {'allowed':>10}  of")
        good = True
        for kind, (worst, count, where) in self.worst.items():
            allowed, what = TOLERANCES[kind]
            held = worst <= allowed and count > 0
            good = good and held
            print(f"{kind:32} {count:6} {worst:10.2e} {allowed:10.2e}  {what}" + ("" if held else f"  <-- {where or 'nothing compared'}"))
        return good


def compare_discretisation(case, ledger):
    a, b = np.array(case["a"]), np.array(case["b"])[:, None]
    size = len(a)
    ad, bd, *_ = signal.cont2discrete((a, b, np.eye(size), np.zeros((size, 1))), case["period_s"], method="zoh")
    for own, row in zip(np.array(case["change"]) + np.eye(size), ad):
        ledger.note("discretisation", np.max(np.abs(own - row)) / np.max(np.abs(row)), case["name"])
    difference = np.max(np.abs(np.array(case["input"]) - bd[:, 0])) / np.max(np.abs(bd))
    ledger.note("discretisation, input", difference, case["name"])


def plant_with_sensor(case):
    """Torque (or voltage) that acts -> [motor speed, load speed at the motor, measured speed before its filter, current], in z.

    States: angle and speed of every node, the torque where it lags or the current of a winding, the angle one tick ago, and
    angles that the sensor's latency keeps. A model in angles, where the program's is one in speeds and twists."""
    machine, period = case["machine"], 1 / case["tick_hz"]
    inertia, viscous = machine["inertia_kgm2"], machine["viscous_nms_per_rad"]
    nodes, lag, winding = len(inertia), machine["torque_lag_s"], machine["winding"]
    size = 2 * nodes + (lag > 0 or winding is not None)
    a, b = np.zeros((size, size)), np.zeros((size, 1))
    for i in range(nodes):
        a[i, nodes + i] = 1
        a[nodes + i, nodes + i] = -viscous[i] / inertia[i]
    for i, coupling in enumerate(machine["couplings"]):
        ratio, stiffness, damping = (coupling[key] for key in ("ratio", "stiffness_nm_per_rad", "damping_nms_per_rad"))
        twist = np.zeros(size)
        twist[i], twist[i + 1] = 1 / ratio, -1
        rate = np.roll(twist, nodes)
        torque = stiffness * twist + damping * rate
        a[nodes + i] -= torque / ratio / inertia[i]
        a[nodes + i + 1] += torque / inertia[i + 1]
    if winding:
        flux = winding["pole_pairs"] * winding["flux_linkage_vs"]
        a[nodes, -1] += 1.5 * flux / inertia[0]
        a[-1, -1], a[-1, nodes] = -winding["resistance_ohm"] / winding["inductance_q_h"], -flux / winding["inductance_q_h"]
        b[-1, 0] = 1 / winding["inductance_q_h"]
    elif lag > 0:
        a[nodes, -1] += 1 / inertia[0]
        a[-1, -1], b[-1, 0] = -1 / lag, 1 / lag
    else:
        b[nodes, 0] = 1 / inertia[0]
    ad, bd, *_ = signal.cont2discrete((a, b, np.eye(size), np.zeros((size, 1))), period, method="zoh")
    kept = case["latency_ticks"] + 1
    full, column = np.zeros((size + kept, size + kept)), np.zeros((size + kept, 1))
    full[:size, :size], column[:size] = ad, bd
    full[size, 0] = 1
    for k in range(1, kept):
        full[size + k, size + k - 1] = 1
    ratio = math.prod(coupling["ratio"] for coupling in machine["couplings"])
    out = np.zeros((4, size + kept))
    out[0, nodes] = 1
    out[1, 2 * nodes - 1] = ratio
    shown = 0 if kept == 1 else size + kept - 2
    out[2, shown], out[2, size + kept - 1] = 1 / period, -1 / period
    if winding:
        out[3, size - 1] = 1
    return control.ss(full, column, out, np.zeros((4, 1)), period)


def with_current_loop(plant, drive, back, period):
    """Torque command -> [motor speed, load speed, measured speed behind its filter]: the current loop closed round the
    plant by control.interconnect, from one sum, one controller, one delay."""
    gain, reset_time_s = drive["current_gain_v_per_a"], drive["current_reset_time_s"]
    flux = drive["pole_pairs"] * drive["flux_linkage_vs"]
    share = period / reset_time_s
    plant = control.ss(plant, inputs=["v"], outputs=["motor", "load", "raw", "i"], name="plant")
    back = control.ss(control.ss(back), inputs=["raw"], outputs=["measured"], name="back")
    pi = control.tf([gain * (1 + share), -gain], [1, -1], period)
    pi = control.ss(control.ss(pi), inputs=["e"], outputs=["pi"], name="pi")
    late = control.ss(control.ss(control.tf([1], [1, 0], period)), inputs=["next"], outputs=["v"], name="late")
    error = control.ss([], [], [], [[1 / (1.5 * flux), -1]], period, inputs=["torque", "i"], outputs=["e"], name="error")
    total = control.ss([], [], [], [[1, flux]], period, inputs=["pi", "measured"], outputs=["next"], name="total")
    parts = [plant, back, pi, late, error, total]
    closed = control.interconnect(parts, inputs=["torque"], outputs=["motor", "load", "measured"])
    return control.ss(closed.A, closed.B, closed.C, closed.D, period)


def low_pass(corner_hz, period):
    pole = math.exp(-TAU * corner_hz * period) if corner_hz > 0 else 0.0
    return control.tf([1 - pole, 0], [1, -pole], period)


def notch(drive, period):
    centre_hz, width_hz, depth_db = (drive[f"notch_1_{key}"] for key in ("hz", "width_hz", "depth_db"))
    if centre_hz == 0 or width_hz == 0 or depth_db == 0:
        return control.tf([1], [1], period)
    w0, width = TAU * centre_hz, TAU * width_hz
    continuous = [1, width * 10 ** (-depth_db / 20), w0 * w0], [1, width, w0 * w0]
    # Tustin with the rate at which s = j w0 lands on z = exp(j w0 T).
    rate = w0 / (2 * math.tan(w0 * period / 2))
    return control.tf(*signal.bilinear(*continuous, fs=rate), period)


def controller(drive, period):
    gain, reset_time_s = drive["speed_gain_nms_per_rad"], drive["speed_reset_time_s"]
    if reset_time_s == 0:
        return control.tf([gain], [1], period)
    share = period / reset_time_s
    return control.tf([gain * (1 + share), -gain], [1, -1], period)


class Curve:
    """A curve over frequency (a function of an array of rad/s) on a dense grid, its roots and extremes by SciPy."""

    def __init__(self, function, grid):
        self.grid, self.values = grid, function(grid)
        self.at = lambda w: float(function(np.array([w]))[0])

    def roots(self):
        signs = np.signbit(self.values)
        places = np.nonzero(signs[:-1] != signs[1:])[0]
        return [optimize.brentq(self.at, self.grid[k], self.grid[k + 1], xtol=1e-13, rtol=1e-14) for k in places]

    def extremes(self, sign):
        v = sign * self.values
        found = []
        for k in np.nonzero((v[1:-1] > v[:-2]) & (v[1:-1] >= v[2:]))[0] + 1:
            bounds = (self.grid[k - 1], self.grid[k + 1])
            options = {"xatol": 1e-9 * bounds[1]}
            best = optimize.minimize_scalar(lambda w: -sign * self.at(w), bounds=bounds, method="bounded", options=options)
            found.append((best.x, self.at(best.x)))
        if v[-1] > v[-2]:
            found.append((self.grid[-1], self.values[-1]))
        return found


def margins_by_scan(open_loop, grid, high):
    """Crossings and Ms of L by brentq, with signs."""
    at = lambda w: complex(open_loop(np.array([w]))[0])
    level = Curve(lambda w: np.log(np.abs(open_loop(w))), grid)
    crossovers = [(w, math.remainder(np.angle(at(w)) + math.pi, TAU)) for w in level.roots()]
    sine = Curve(lambda w: np.sin(np.angle(open_loop(w))), grid[grid < high * (1 - 1e-9)])
    places = [w for w in sine.roots() if at(w).real < 0]
    if at(high).real < 0:
        places.append(high)
    half_turns = [(w, -20 * math.log10(abs(at(w)))) for w in places]
    sensitivity = max(Curve(lambda w: 1 / np.abs(1 + open_loop(w)), grid).extremes(1), key=lambda peak: peak[1])
    return crossovers, half_turns, sensitivity


def dense_grid(poles, period):
    """Log-spaced to half the tick rate, closer round every pole of the open and the closed loop."""
    high = math.pi / period
    with np.errstate(divide="ignore", invalid="ignore"):
        natural = np.log(poles.astype(complex)) / period
    centres = np.concatenate([np.abs(natural), np.abs(natural.imag)])
    centres = centres[np.isfinite(centres) & (1e-2 < centres) & (centres < high)]
    points = [np.geomspace(1e-2, high, 1500)]
    for centre in centres:
        reach = np.geomspace(1e-6, 0.3, 40)
        points.append(centre * np.concatenate([1 - reach, 1 + reach]))
    points = np.unique(np.concatenate(points))
    return points[(1e-2 <= points) & (points <= high)]


def compare_loop(case, ledger):
    period, drive, found, name = 1 / case["tick_hz"], case["drive"], case["found"], case["name"]
    plant = plant_with_sensor(case)
    control_law, back = controller(drive, period), low_pass(drive["speed_filter_hz"], period)
    path = notch(drive, period) * low_pass(drive["torque_lowpass_hz"], period)
    if case["machine"]["winding"]:
        plant, back = with_current_loop(plant, drive, back, period), control.tf([1], [1], period)
    else:
        path = path * control.tf([1], [1, 0], period)
    chain = control.ss(back) * plant[2, 0] * control.ss(control_law * path)
    closed_poles = control.feedback(chain, 1).poles()
    # Angles make one pole at 1 that nothing sees: the free turning. It is the pole closest to 1.
    closed_poles = np.delete(closed_poles, np.argmin(np.abs(closed_poles - 1)))
    largest = np.max(np.abs(closed_poles))
    ledger.note("stable", float(found["stable"] != bool(largest < 1)), name)
    ledger.note("largest pole", found["largest_pole"] - largest, name)
    if not found["stable"]:
        return

    def pieces(w):
        z = np.exp(1j * w * period)
        return control_law(z, squeeze=True) * path(z, squeeze=True), back(z, squeeze=True), plant(z, squeeze=False)[:, 0]

    def open_loop(w):
        forward, filtered, moved = pieces(w)
        return forward * filtered * moved[2]

    def closed(output, w):
        forward, filtered, moved = pieces(w)
        return np.abs(forward * moved[output] / (1 + forward * filtered * moved[2]))

    grid = dense_grid(np.concatenate([closed_poles, plant.poles()]), period)
    compare_margins(case, ledger, open_loop, grid)
    compare_closed(case, ledger, closed, grid)
    compare_stability_margins(case, ledger, open_loop, grid)


def compare_margins(case, ledger, open_loop, grid):
    found, name = case["found"], case["name"]
    crossovers, half_turns, sensitivity = margins_by_scan(open_loop, grid, math.pi * case["tick_hz"])
    for own, other in ((found["crossovers"], crossovers), (found["half_turns"], half_turns)):
        ledger.note("number of crossings", len(own) - len(other), name)
        for (own_w, _), (other_w, _) in zip(own, other):
            ledger.relative("crossings, frequency", own_w, other_w, name)
    measures = found["measures"]
    turn = lambda phase: phase + TAU if phase < 0 else phase
    smallest = lambda values: min(values, default=None)
    ledger.relative("phase margin", measures["phase_margin_deg"], smallest(abs(math.degrees(p)) for _, p in crossovers), name)
    ledger.relative("gain margin", measures["gain_margin_db"], smallest(abs(db) for _, db in half_turns), name)
    ledger.relative("delay margin", measures["delay_margin_s"], smallest(turn(p) / w for w, p in crossovers), name)
    ledger.relative("crossover", measures["crossover_hz"], crossovers[0][0] / TAU if crossovers else None, name)
    ledger.relative("sensitivity peak", measures["sensitivity_peak"], sensitivity[1], name)


def compare_closed(case, ledger, closed, grid):
    found, name = case["found"], case["name"]
    outputs = [(0, "bandwidth_motor_rad_per_s")]
    if case["load_connected"]:
        outputs.append((1, "bandwidth_load_rad_per_s"))
    at_rest = closed(0, np.array([1e-3]))[0]
    for output, key in outputs:
        roots = Curve(lambda w: closed(output, w) - at_rest / math.sqrt(2), grid).roots()
        ledger.relative("bandwidth", found[key], roots[0] if roots else None, name)
    crossover = found["crossovers"][0][0] if found["crossovers"] else math.inf
    motor = Curve(lambda w: closed(0, w), grid)
    dips = [dip for dip in motor.extremes(-1) if crossover < dip[0] < grid[-1]]
    own = found["measures"]["resonance_peak_db"]
    peak = max((p for p in motor.extremes(1) if dips[0][0] < p[0]), key=lambda p: p[1], default=dips[0]) if dips else None
    if own is None or peak is None:
        ledger.note("has a number", float((own is None) != (peak is None)), f"{name}: resonance peak")
    else:
        ledger.note("resonance peak", own - 20 * math.log10(peak[1]), name)


def compare_stability_margins(case, ledger, open_loop, grid):
    """python-control's own margins on the sampled frequency response. (Its route by polynomial roots loses crossings of loops
    of this order to rounding.)"""
    found, name = case["found"], case["name"]
    # Its splines through the samples are as good as the samples are dense where it looks.
    near = [w * (1 + np.linspace(-0.01, 0.01, 81)) for w, _ in found["crossovers"] + found["half_turns"]]
    grid = np.unique(np.concatenate([grid, *near]))
    grid = grid[grid <= math.pi * case["tick_hz"]]
    response = control.frd(open_loop(grid), grid, smooth=True)
    gains, phases, stability, at_half_turn, at_crossover, _ = control.stability_margins(response, returnall=True)
    for w, own in found["crossovers"]:
        k = np.argmin(np.abs(at_crossover - w))
        difference = math.remainder(own - math.radians(phases[k]), TAU)
        ledger.note("stability_margins, phase", math.degrees(difference), name)
    high = math.pi * case["tick_hz"]
    for w, own in found["half_turns"]:
        if w < 0.999 * high:
            k = np.argmin(np.abs(at_half_turn - w))
            ledger.note("stability_margins, gain", 10 ** (own / 20) / gains[k] - 1, name)
    ledger.relative("stability_margins, sensitivity", found["sensitivity_peak"][0], 1 / min(stability), name)


def crossing(y, level):
    """Place of the first crossing, linear between samples; None when there is none."""
    reached = np.nonzero(y >= level)[0]
    if not len(reached):
        return None
    k = reached[0]
    return 0.0 if k == 0 else float(np.interp(level, [y[k - 1], y[k]], [k - 1, k]))


def settled(case, speed, goal, band):
    """Seconds to the last entry into goal +- band."""
    outside = np.nonzero(np.abs(speed - goal) > band)[0]
    if not len(outside):
        return 0.0
    k = outside[-1]
    if k == len(speed) - 1:
        return None
    place = k + optimize.brentq(lambda x: abs(speed[k] + x * (speed[k + 1] - speed[k]) - goal) - band, 0, 1, xtol=1e-15)
    held = (len(speed) - 1 - place) / case["tick_hz"]
    return place / case["tick_hz"] if held >= case["hold_s"] else None


def compare_window(case, ledger):
    speed, setpoint = np.array(case["speed"]), np.array(case["setpoint"])
    initial, final = case["setpoint_before"], setpoint[-1]
    setpoint = np.append(setpoint, [final] * (len(speed) - len(setpoint)))
    compare_step(case, ledger, (speed - initial) / (final - initial))
    compare_settling(case, ledger, speed, final, abs(final - initial))
    compare_integrals(case, ledger, setpoint - speed, final)
    compare_torque(case, ledger)
    compare_ripple(case, ledger, speed)


def compare_step(case, ledger, y):
    own, name, hz = case["measures"], case["name"], case["tick_hz"]
    info = control.step_info(y, T=np.arange(len(y)) / hz, yfinal=1.0, SettlingTimeThreshold=0.05)
    ledger.note("overshoot, step_info", own["overshoot_percent"] - info["Overshoot"], name)
    if own["peak_time_s"] is not None:
        ledger.note("peak time, step_info", own["peak_time_s"] - info["PeakTime"], name)
    ledger.note("rise time, step_info", (own["rise_time_s"] - info["RiseTime"]) * hz, name)
    if case["band_rpm"] is None and own["settling_time_s"] is not None:
        ledger.note("settling time, step_info", (own["settling_time_s"] - info["SettlingTime"]) * hz, name)
    low, half, high = (crossing(y, level) for level in (0.1, 0.5, 0.9))
    ledger.relative("step measures", own["rise_time_s"], (high - low) / hz, name)
    ledger.relative("step measures", own["delay_s"], half / hz, name)
    over = np.nonzero(y >= 1)[0]
    first = over[0] if len(over) else len(y)
    before, after = np.max(-y[:first], initial=0.0), np.max(1 - y[first:], initial=0.0)
    ledger.relative("step measures", own["undershoot_percent"], 100 * max(before, after), name)


def compare_settling(case, ledger, speed, final, height):
    own, name = case["measures"], case["name"]
    in_rpm = case["band_rpm"] is not None
    band = case["band_rpm"] * RPM if in_rpm else case["band_percent"] / 100 * height
    ledger.relative("step measures", own["settling_time_s"], settled(case, speed, final, band), name)
    band = case["band_rpm"] * RPM if in_rpm else case["band_percent"] / 100 * abs(final)
    recovery = settled(case, speed, final, band) if band > 0 else None
    ledger.relative("load measures", own["recovery_time_s"], recovery, name)


def compare_integrals(case, ledger, error, final):
    own, name, dt = case["measures"], case["name"], 1 / case["tick_hz"]
    time = np.arange(len(error)) * dt
    for key, values in (("iae_rad", np.abs(error)), ("ise_rad2_per_s", error**2), ("itae_rad_s", time * np.abs(error))):
        ledger.relative("integral measures", own[key], integrate.trapezoid(values, dx=dt), name)
    ledger.relative("load measures", own["dip_area_rad"], integrate.trapezoid(error, dx=dt), name)
    ledger.relative("load measures", own["dip_rpm"], np.max(np.abs(error)) / RPM, name)
    percent = 100 * np.max(np.abs(error)) / abs(final) if final != 0 else None
    ledger.relative("load measures", own["dip_percent"], percent, name)
    start = 0.75 * (len(error) - 1)
    fine = np.concatenate([[start], np.arange(math.ceil(start), len(error))])
    mean = integrate.trapezoid(np.interp(fine, np.arange(len(error)), error), fine) / (len(error) - 1 - start)
    ledger.relative("integral measures", own["steady_deviation_rpm"], mean / RPM, name)


def compare_torque(case, ledger):
    own, name, hz, rated = case["measures"], case["name"], case["tick_hz"], case["rated_torque_nm"]
    torque = np.array(case["torque_command"])
    half = torque[len(torque) // 2 :]
    passed = signal.lfilter(*signal.butter(2, case["highpass_hz"], "high", fs=hz), half - np.mean(half))[len(half) // 5 :]
    ledger.relative("torque noise", own["torque_noise_rms_percent"], 100 * math.sqrt(np.mean(passed**2)) / rated, name)
    travel = np.sum(np.abs(np.diff(torque))) / ((len(torque) - 1) / hz)
    ledger.relative("ripple and travel", own["torque_travel_percent_per_s"], 100 * travel / rated, name)
    ledger.relative("ripple and travel", own["torque_rms_percent"], 100 * math.sqrt(np.mean(torque**2)) / rated, name)
    ledger.relative("ripple and travel", own["torque_peak_percent"], 100 * np.max(np.abs(torque)) / rated, name)
    share = np.mean(np.abs(torque) >= 0.999 * case["torque_limit_nm"])
    ledger.relative("ripple and travel", own["time_at_limit_percent"], 100 * share, name)


def compare_ripple(case, ledger, speed):
    """Over the last whole turns of the load; the start of the first one interpolated."""
    own, name = case["measures"], case["name"]
    left = np.abs(case["load_angle"][-1] - np.array(case["load_angle"]))
    turns = math.floor(left[0] / TAU)
    start = 0.0
    if turns >= 1:
        k = np.nonzero(left >= turns * TAU)[0][-1]
        start = k + (left[k] - turns * TAU) / (left[k] - left[k + 1])
    places = np.concatenate([[start], np.arange(math.ceil(start), len(speed))])
    places = np.unique(places)
    value = lambda samples: np.interp(places, np.arange(len(speed)), samples)
    length = len(speed) - 1 - start
    mean = integrate.trapezoid(value(speed), places) / length
    rms = math.sqrt(integrate.trapezoid(value((speed - mean) ** 2), places) / length)
    ledger.relative("ripple and travel", own["speed_ripple_rms_rpm"], rms / RPM, name)
    peak = np.max(np.abs(speed[math.ceil(start) :] - mean))
    ledger.relative("ripple and travel", own["speed_ripple_peak_rpm"], peak / RPM, name)


def main():
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    with open(sys.argv[1], encoding="utf-8") as file:
        export = json.load(file)
    ledger = Ledger()
    for case in export["discretisations"]:
        compare_discretisation(case, ledger)
    for case in export["loops"]:
        compare_loop(case, ledger)
    for case in export["windows"]:
        compare_window(case, ledger)
    print(f"SciPy {__import__('scipy').__version__}, python-control {control.__version__}, NumPy {np.__version__}")
    sys.exit(0 if ledger.report() else 1)


main()
