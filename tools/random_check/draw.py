"""A machine and a torque profile drawn from a number, as numbers and as the files that `plantstand simulate` reads.

The same number gives the same machine. All values of a coupling are on its load side. What this does not do: solve.
Start reading at `draw`.
"""
import math

import numpy as np

TICK_HZ = 8000
END_S = 0.5
ARCMIN = math.pi / 10800
RPM = 2 * math.pi / 60
# Modes of a drawn machine: below Nyquist of the tick, and not so slow that 0.5 s shows nothing of them.
HIGHEST_HZ = TICK_HZ / 2
LOWEST_HZ = 3.0


def log_uniform(dice, low, high):
    return float(math.exp(dice.uniform(math.log(low), math.log(high))))


def modes_hz(machine):
    """Frequencies of the undamped train without play."""
    n = len(machine["inertia_kgm2"])
    k = np.zeros((n, n))
    for i, c in enumerate(machine["couplings"]):
        row = np.zeros(n)
        row[i], row[i + 1] = 1 / c["ratio"], -1
        k += c["stiffness_nm_per_rad"] * np.outer(row, row)
    root = np.sqrt(np.array(machine["inertia_kgm2"]))
    values = np.linalg.eigvalsh(k / np.outer(root, root))
    return np.sqrt(np.maximum(values[1:], 0)) / (2 * math.pi)


def draw_train(dice):
    n = int(dice.integers(2, 5))
    motor = log_uniform(dice, 1e-5, 1e-2)
    total_ratio = log_uniform(dice, 1, 100)
    shares = dice.dirichlet(np.ones(n - 1))
    ratios = [float(total_ratio ** share) for share in shares]
    reflected = log_uniform(dice, 0.1, 50) * motor
    parts = dice.dirichlet(2 * np.ones(n - 1))
    inertia, couplings, ratio = [motor], [], 1.0
    backlash = dice.uniform(0, 60) if dice.random() < 0.65 else 0.0
    for i in range(n - 1):
        ratio *= ratios[i]
        inertia.append(float(reflected * max(parts[i], 0.02) * ratio ** 2))
        couplings.append({"ratio": ratios[i], "stiffness_nm_per_rad": log_uniform(dice, 10, 1e5)})
    for i, c in enumerate(couplings):
        behind = math.prod(ratios[i + 1:])
        # What the load would show of this coupling's play: the whole train's stays within what was drawn.
        play = backlash * behind / (n - 1) if dice.random() < 0.8 else 0.0
        c["backlash_arcmin"] = float(min(play, 3000.0))
        a, b = inertia[i] * c["ratio"] ** 2, inertia[i + 1]
        critical = 2 * math.sqrt(c["stiffness_nm_per_rad"] * a * b / (a + b))
        c["damping_nms_per_rad"] = 0.0 if dice.random() < 0.2 else critical * log_uniform(dice, 1e-3, 0.3)
    return {"inertia_kgm2": inertia, "couplings": couplings}


def draw_friction(dice, machine, peak_nm, speed_rad_per_s):
    n = len(machine["inertia_kgm2"])
    machine["friction"], ratio = [], 1.0
    for i in range(n):
        if i:
            ratio *= machine["couplings"][i - 1]["ratio"]
        if dice.random() < 0.25:
            machine["friction"].append(None)
            continue
        static = float(dice.uniform(0, 0.2)) * peak_nm * ratio / n
        kinetic = static * float(dice.uniform(0.5, 1)) if dice.random() < 0.8 else static
        machine["friction"].append({
            "kinetic_nm": kinetic,
            "static_nm": static,
            "stribeck_rpm": max(1e-4, min(1e4, speed_rad_per_s / ratio * log_uniform(dice, 1e-3, 0.1) / RPM)),
            "stribeck_exponent": 2.0 if dice.random() < 0.8 else 1.0,
            "viscous_nms_per_rad": 0.0 if dice.random() < 0.3
            else 0.1 * float(dice.random()) * peak_nm * ratio / n / (speed_rad_per_s / ratio),
        })


def draw(number):
    """Machine and torque profile number so and so."""
    dice = np.random.Generator(np.random.PCG64(number))
    machine = None
    while machine is None:
        trial = draw_train(dice)
        modes = modes_hz(trial)
        if LOWEST_HZ < modes.min() and modes.max() < HIGHEST_HZ:
            machine = trial
    reflected, ratio = machine["inertia_kgm2"][0], 1.0
    for c, inertia in zip(machine["couplings"], machine["inertia_kgm2"][1:]):
        ratio *= c["ratio"]
        reflected += inertia / ratio ** 2
    acceleration = log_uniform(dice, 100, 1e4)
    peak_nm = max(2e-4, reflected * acceleration)
    draw_friction(dice, machine, peak_nm, acceleration * 0.05)
    ticks = int(END_S * TICK_HZ)
    count = int(dice.integers(5, 25))
    starts = sorted({0, *(int(tick) for tick in dice.integers(1, ticks, count))})
    pieces = [(tick, 0.0 if dice.random() < 0.15 else float(dice.uniform(-1, 1)) * peak_nm) for tick in starts]
    machine.update(number=number, peak_nm=peak_nm, torque=pieces, modes_hz=[float(f) for f in modes_hz(machine)])
    return machine


def is_smooth(machine):
    play = any(c["backlash_arcmin"] for c in machine["couplings"])
    dry = any(f and f["static_nm"] for f in machine["friction"])
    return not play and not dry


def friction_toml(friction):
    if friction is None:
        return '{ kind = "none" }'
    values = ", ".join(f"{key} = {value!r}" for key, value in friction.items())
    return '{ kind = "coulomb", ' + values + " }"


def scenario_toml(machine):
    """A whole scenario; what the bare plant does not have is any that is allowed."""
    trains = "".join(
        f"""[[train]]
ratio = {c["ratio"]!r}
stiffness_nm_per_rad = {c["stiffness_nm_per_rad"]!r}
damping_nms_per_rad = {c["damping_nms_per_rad"]!r}
backlash_arcmin = {c["backlash_arcmin"]!r}
inertia_kgm2 = {inertia!r}
friction = {friction_toml(friction)}
"""
        for c, inertia, friction in zip(machine["couplings"], machine["inertia_kgm2"][1:], machine["friction"][1:])
    )
    return f"""title = "Drawn machine {machine["number"]}"
seed = 1
commands = "speed"
[timing]
tick_hz = {TICK_HZ}
end_s = {END_S}
[motor]
kind = "ideal_torque"
lag_s = 0
inertia_kgm2 = {machine["inertia_kgm2"][0]!r}
rated_torque_nm = {machine["peak_nm"] / 2!r}
peak_torque_nm = {machine["peak_nm"]!r}
rated_speed_rpm = 3000
friction = {friction_toml(machine["friction"][0])}
[motor.sensor]
counts_per_turn = 10000
{trains}[axis]
endless = true
max_speed_rpm = 3000
[drive.settings]
speed_gain_nms_per_rad = 0.01
speed_reset_time_s = 0
torque_limit_nm = {machine["peak_nm"] / 2!r}
[tuning]
time_s = 10
window_deg = [-90, 90]
path_deg = 1000
[[programme]]
name = "step"
at_s = 0.1
speed_rpm = 100
[[limit]]
measure = "overshoot_percent"
during = "step"
max = 50
"""


def torque_csv(machine):
    return "time_s,torque_nm\n" + "".join(f"{tick / TICK_HZ!r},{torque!r}\n" for tick, torque in machine["torque"])
