"""One draw: the program's states and events against the solver's; whether the draw is well-conditioned; where it is
not, whether the program's energy closes and its events are legal. What this does not do: draw or solve. Start reading at
`judge`.
"""
import csv
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np

from draw import ARCMIN, draw, is_smooth, scenario_toml, torque_csv
from solver import Solution, TooManyEvents

# The bars, as shares of a state's span, in s, and as a share of the work done.
SMOOTH, ROUGH, EVENT_S, ENERGY = 1e-8, 1e-5, 1e-6, 1e-9
# A draw whose reference moves by more than this when the last node starts so much further is ill-conditioned.
MOVES, SHIFT_RAD = 1e-6, 1e-10


def program(plantstand, machine, folder):
    """Runs `simulate`: rows of states in the solver's order, events, energy unaccounted for as a share of the work."""
    folder = Path(folder)
    (folder / "machine.toml").write_text(scenario_toml(machine))
    (folder / "torque.csv").write_text(torque_csv(machine))
    command = [plantstand, "simulate", folder / "machine.toml", "--torque", folder / "torque.csv",
               "--out", folder / "states.csv", "--events", folder / "events.csv", "--energy", folder / "energy.csv"]
    ran = subprocess.run(command, capture_output=True, text=True)
    if ran.returncode:
        raise RuntimeError(f"exit {ran.returncode}: {ran.stderr.strip()}")
    table = np.loadtxt(folder / "states.csv", delimiter=",", skiprows=1, ndmin=2)
    n = len(machine["inertia_kgm2"])
    nodes, couplings = table[:, 1:1 + 2 * n], table[:, 1 + 2 * n:]
    rows = np.hstack([nodes[:, 0::2], nodes[:, 1::2], couplings[:, 0::2], couplings[:, 1::2]])
    with open(folder / "events.csv", newline="") as file:
        events = [(float(r["time_s"]), r["event"], r["place"], int(r["direction"])) for r in csv.DictReader(file)]
    with open(folder / "energy.csv", newline="") as file:
        last = list(csv.DictReader(file))[-1]
    return rows, events, abs(float(last["unaccounted_j"])) / max(float(last["work_j"]), 1e-300)


def shares(machine, expected, found):
    """The largest difference of each kind of state as a share of that state's own span."""
    n = len(machine["inertia_kgm2"])
    m = n - 1
    worst = {}
    kinds = ["angle"] * n + ["speed"] * n + ["coupling torque"] * m + ["gap position"] * m
    for kind, e, f in zip(kinds, expected.T, found.T):
        span, apart = float(np.ptp(e)), float(np.max(np.abs(e - f)))
        share = apart / span if span else (0.0 if apart == 0 else float("inf"))
        worst[kind] = max(worst.get(kind, 0.0), share)
    return worst


def pair(expected, found):
    """Matches events as sets at equal times: what was missed, what was invented, the largest difference of times."""
    left, missed, apart = list(found), [], 0.0
    for event in expected:
        near = [f for f in left if f[1:] == event[1:] and abs(f[0] - event[0]) <= EVENT_S]
        if near:
            best = min(near, key=lambda f: abs(f[0] - event[0]))
            left.remove(best)
            apart = max(apart, abs(best[0] - event[0]))
        else:
            missed.append(event)
    return missed, left, apart


def in_order(events):
    """What happened where, in order; what happens within a nanosecond has none."""
    groups, last = [], -1.0
    for when, *what in sorted(events):
        if when - last > 1e-9:
            groups.append([])
        groups[-1].append(what)
        last = when
    return [sorted(group) for group in groups]


def illegal(machine, rows, events):
    """What an events list and the states at the ticks may not be, whatever the motion is; None when all is legal."""
    n = len(machine["inertia_kgm2"])
    m = n - 1
    contact = {f"coupling_{j}": 0 for j in range(m)}
    held = {f"node_{i}": bool(f and f["static_nm"]) for i, f in enumerate(machine["friction"])}
    before = 0.0
    for when, event, place, side in events:
        if when < before:
            return f"{event} at {place}, {when} s, after one at {before} s"
        before = when
        if event == "gap_closes" and contact[place] == 0:
            contact[place] = side
        elif event == "gap_opens" and contact[place] == side:
            contact[place] = 0
        elif event == "sticks" and not held[place]:
            held[place] = True
        elif event == "breaks_away" and held[place]:
            held[place] = False
        else:
            return f"{event} at {place}, {when} s, side {side}: not out of its state"
    for j, c in enumerate(machine["couplings"]):
        half = c["backlash_arcmin"] * ARCMIN / 2
        torque, gap = rows[:, 2 * n + j], rows[:, 2 * n + m + j]
        if half and np.max(np.abs(gap)) > half * (1 + 1e-12):
            return f"coupling_{j}: outside its gap"
        if half and np.any((torque != 0) & (np.abs(gap) < half * (1 - 1e-12))):
            return f"coupling_{j}: torque in the open gap"
        if half and np.min(torque * gap) < -1e-9 * half * np.max(np.abs(torque)):
            return f"coupling_{j}: pulls"
    return None


def judge(plantstand, number):
    """Everything about one draw, as JSON knows it."""
    machine = draw(number)
    result = {"number": number, "nodes": len(machine["inertia_kgm2"]), "smooth": is_smooth(machine),
              "highest_hz": round(max(machine["modes_hz"]))}
    with tempfile.TemporaryDirectory() as folder:
        rows, events, energy = program(plantstand, machine, folder)
    result.update(events_found=len(events), energy=energy, illegal=illegal(machine, rows, events))
    started = time.monotonic()
    try:
        exact = Solution(machine)
        moved = Solution(machine, SHIFT_RAD)
    except TooManyEvents:
        result.update(ill=True, why="more events than the solver takes")
        return finish(result)
    result.update(events=len(exact.events), solver_steps=exact.steps, solver_s=round(time.monotonic() - started, 1))
    moves = max(shares(machine, exact.rows, moved.rows).values())
    same = in_order(exact.events) == in_order(moved.events)
    result.update(moves=moves, ill=moves > MOVES or not same)
    missed, invented, apart = pair(exact.events, events)
    result.update(shares=shares(machine, exact.rows, rows), missed=len(missed), invented=len(invented), event_s=apart)
    result["first_apart"] = min([*missed, *invented], default=None)
    return finish(result)


def finish(result):
    """What is beyond its bar, as words."""
    wrong = []
    if result["illegal"]:
        wrong.append(f"illegal: {result['illegal']}")
    if not result["energy"] <= ENERGY:
        wrong.append(f"energy: {result['energy']:.1e} unaccounted for")
    if not result["ill"]:
        bar = SMOOTH if result["smooth"] else ROUGH
        wrong += [f"{kind}: {share:.1e}" for kind, share in result["shares"].items() if not share <= bar]
        if result["missed"] or result["invented"]:
            wrong.append(f"{result['missed']} events missed, {result['invented']} invented, first {result['first_apart']}")
    result["wrong"] = wrong
    return result
