#!/usr/bin/env python3
"""Tolerances for a suite, from what rounding alone moves.

Runs builds of a method that differ in rounding only, say in the order of additions, on the same scenarios with many
seeds, and writes a file of tolerances: for each measure several times the largest move that was seen. A measure that
moves further than that in a suite did not move by rounding.

A rounding that pushes an angle over the edge between two counts of the sensor moves far more than one that does not, and
is far too rare to be met within some seeds: let one of the builds read one count too many now and then.

usage: study.py --one 'COMMAND' --other 'COMMAND' [--other 'COMMAND'...] --out FILE [--seeds N] [--first-seed N] [--times X]
                [NAME=VALUE...] SCENARIO [[NAME=VALUE...] SCENARIO...]

NAME=VALUE is put into the environment of the method for the scenario that follows it, as in a shell.

Standard library only.
"""

import argparse
import concurrent.futures
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

PROGRAM = os.environ.get("PLANTSTAND", "target/release/plantstand")

# What is near 0 against the measure's largest value is held to an absolute tolerance, the rest to a relative one.
NEAR_ZERO_FRAC = 1e-3

# What moves by more than this share of itself is held to an absolute tolerance, too: a deviation that is almost 0.
LARGE_FRAC = 0.1

# No tolerance is smaller: a hundred times what one rounding of a double is worth.
RELATIVE_FLOOR = 100 * 2.0**-53

# Measures that count whole ticks, in ticks: rounding that has not moved one yet may move it by these.
TICKS_FLOOR = {"peak_time_s": 1, "time_at_limit_percent": 1}


def arguments():
    parser = argparse.ArgumentParser(description="Tolerances for a suite, from what rounding alone moves.")
    parser.add_argument("--one", required=True, help="command of the method as it is")
    parser.add_argument("--other", required=True, action="append", help="command of one that differs in rounding only")
    parser.add_argument("--seeds", type=int, default=24, help="how many seeds (20 and more say something)")
    parser.add_argument("--first-seed", type=int, default=1000, help="the seeds count from here")
    parser.add_argument("--times", type=float, default=5.0, help="tolerance as a multiple of the largest move seen")
    parser.add_argument("--out", required=True, type=Path, help="file of tolerances")
    parser.add_argument("words", nargs="+", metavar="[NAME=VALUE...] SCENARIO")
    options = parser.parse_args()
    options.scenarios, settings = [], {}
    for word in options.words:
        if "=" in word:
            settings.update([word.split("=", 1)])
        else:
            options.scenarios.append((Path(word), settings))
            settings = {}
    if settings or not options.scenarios:
        parser.error("settings stand before the scenario that they are for")
    return options


def result(command, scenario, settings, seed):
    """The result of one trial; a void one ends the study."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "result.json"
        words = [PROGRAM, "score", scenario, "--seed", str(seed), "--no-record", "--json", path, "--method", command]
        done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                              env={**os.environ, **settings})
        if done.returncode not in (0, 1) or not path.exists():
            sys.exit(f"{command} on {scenario}, seed {seed}: exit {done.returncode}\n{done.stdout}{done.stderr}")
        return json.loads(path.read_text(encoding="utf-8"))


def measures(found):
    """Every measure of a result by where it was taken; the length of its window in ticks beside it."""
    every = {}
    tick_hz = found["scenario"]["tick_hz"]
    for kind, of in (("limit", found["limits"]), ("other", found["measures"])):
        for place, one in enumerate(of):
            window_s = one["window_s"] or [0.0, 0.0]
            key = (one["measure"], one["machine"], one["during"], kind, place)
            every[key] = (one["value"] if one["value"] is not None else one["no_number"],
                          (window_s[1] - window_s[0]) * tick_hz, tick_hz)
    return every


class Moves:
    """What one measure gave in two builds, everywhere it was taken."""

    def __init__(self):
        self.pairs = []
        self.floor = 0.0
        self.lost = []

    def tolerance(self, times):
        largest = max((abs(one) for one, _ in self.pairs), default=0.0)
        relative, absolute = RELATIVE_FLOOR, self.floor
        for one, other in self.pairs:
            move = abs(other - one)
            if abs(one) < NEAR_ZERO_FRAC * largest or LARGE_FRAC * abs(one) <= times * move:
                absolute = max(absolute, times * move)
            else:
                relative = max(relative, times * move / abs(one))
        # Near 0 a relative tolerance is nothing at all.
        return max(absolute, relative * NEAR_ZERO_FRAC * largest), relative


def add(moves, one, other, job):
    """Adds what two results gave to the moves of each measure."""
    others = measures(other)
    for key, (value, window_ticks, tick_hz) in measures(one).items():
        found = moves.setdefault(key[0], Moves())
        if key[0] == "peak_time_s":
            found.floor = max(found.floor, TICKS_FLOOR[key[0]] / tick_hz)
        if key[0] == "time_at_limit_percent" and window_ticks:
            found.floor = max(found.floor, 100.0 * TICKS_FLOOR[key[0]] / window_ticks)
        against = others[key][0]
        if isinstance(value, float | int) and isinstance(against, float | int):
            found.pairs.append((value, against))
        elif value != against:
            found.lost.append((key, job))


def study(options):
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    jobs = [(*scenario, seed) for scenario in options.scenarios for seed in seeds]
    with concurrent.futures.ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        runs = [[pool.submit(result, command, *job) for command in (options.one, *options.other)] for job in jobs]
        runs = [[future.result() for future in builds] for builds in runs]
    moves, differing = {}, 0
    for job, (one, *others) in zip(jobs, runs):
        differing += any(one["bits_sha256"] != other["bits_sha256"] for other in others)
        for other in others:
            if one["verdict"] != other["verdict"]:
                sys.exit(f"{job}: the verdicts are {one['verdict']} and {other['verdict']}: that is no rounding")
            add(moves, one, other, job)
    if not differing:
        sys.exit("all commands give the same bits everywhere: nothing can be learnt about rounding")
    return moves, len(jobs), differing


def figure(number):
    """Two digits, rounded up: a tolerance is no measurement."""
    digits = f"{number:.1e}"
    if float(digits) < number:
        mantissa, exponent = digits.split("e")
        digits = f"{float(mantissa) + 0.1:.1f}e{exponent}"
    return repr(float(digits))


def main():
    options = arguments()
    moves, trials, differing = study(options)
    lines = [
        f'about = "What rounding alone moves, times {options.times:g}: {options.seeds} seeds on each of '
        f'{", ".join(scenario.stem for scenario, _ in options.scenarios)}."',
        "",
        "[tolerance]",
    ]
    for name in sorted(moves):
        for key, job in moves[name].lost:
            print(f"{name}: a number in one build, none in the other: {key}, {job}", file=sys.stderr)
        absolute, relative = moves[name].tolerance(options.times)
        if moves[name].pairs:
            lines.append(f"{name} = {{ absolute = {figure(absolute)}, relative_frac = {figure(relative)} }}")
    options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"{trials} trials, {differing} differ in some bit; {len(moves)} measures: {options.out}")


if __name__ == "__main__":
    main()
