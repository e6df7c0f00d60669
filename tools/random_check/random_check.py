"""Drawn machines: `plantstand simulate` against the same equations solved by SciPy.

usage: python random_check.py [--draws N] [--well N] [--first N] [--processes N] [--plantstand PATH] [--results FILE]
                              [--page FILE]

Each draw is a machine of two to four masses with play, friction and damping, and a torque profile of 0.5 s; the number of
a draw is its seed. Every state at every tick and every event is compared. A draw whose reference itself moves by more than
1e-6 of a state's span, or changes its list of events, when the last node starts 1e-10 rad further, is ill-conditioned: it is
counted, listed, and judged by its energy and by whether its events are legal.

--draws N takes so many draws; --well N goes on until so many were well-conditioned. FILE (default: results.jsonl beside
nothing, none kept) has a line a draw; draws that stand there already are not done again, so a run can be ended and resumed.
--page writes what was found as a page. Exit status 1 when anything is beyond its bar, or when more than 40 % are
ill-conditioned.

Beside this file: draw.py (machines), solver.py (the equations), judge.py (the comparison). Needs NumPy and SciPy.
"""
import argparse
import datetime
import json
import os
import sys
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy  # noqa: E402
import scipy  # noqa: E402

from judge import ENERGY, EVENT_S, ROUGH, SMOOTH, judge  # noqa: E402

ILL_MAX = 0.4
STATES = ["angle", "speed", "coupling torque", "gap position"]


def safely(plantstand, number):
    try:
        return judge(plantstand, number)
    except Exception as error:  # one draw that cannot be done is a finding, not the end of the others
        return {"number": number, "ill": False, "wrong": [f"not done: {type(error).__name__}: {error}"]}


def done_before(path):
    if path is None or not path.exists():
        return {}
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    return {line["number"]: line for line in lines}


def run(options):
    results = done_before(options.results)
    results = {n: r for n, r in results.items() if options.first <= n}
    keep = open(options.results, "a") if options.results else None

    def enough():
        if options.well:
            return sum(not r["ill"] for r in results.values()) >= options.well
        return len(results) >= options.draws

    number, waiting = options.first, set()
    with ProcessPoolExecutor(options.processes) as pool:
        while not enough():
            while len(waiting) < options.processes and (options.well or number < options.first + options.draws):
                if number not in results:
                    waiting.add(pool.submit(safely, options.plantstand, number))
                number += 1
            if not waiting:
                break
            finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                result = future.result()
                results[result["number"]] = result
                if keep:
                    keep.write(json.dumps(result) + "\n")
                    keep.flush()
                say(result)
        for future in waiting:
            future.cancel()
    return [results[n] for n in sorted(results)]


def say(result):
    worst = max(result.get("shares", {"": 0.0}).values())
    words = "; ".join(result["wrong"]) or ("ill-conditioned" if result["ill"] else "right")
    print(f"draw {result['number']:4}  {result.get('nodes', 0)} nodes  {result.get('events', 0):5} events  "
          f"worst {worst:.0e}  {result.get('solver_s', 0):6} s  {words}", flush=True)


def table(results):
    """The worst figures of smooth and of other draws, and the counts."""
    lines = ["| draws | count | " + " | ".join(STATES) + " | events | event times | energy | beyond a bar |",
             "| --- | --- |" + " --- |" * 8]
    whole = [r for r in results if "shares" in r]
    groups = [("smooth", [r for r in whole if r["smooth"] and not r["ill"]]),
              ("play or stick", [r for r in whole if not r["smooth"] and not r["ill"]]),
              ("ill-conditioned", [r for r in results if r["ill"]])]
    for name, group in groups:
        states = [max((r["shares"][s] for r in group), default=0.0) for s in STATES] if name[0] != "i" else []
        cells = [f"{s:.0e}" for s in states] or ["-"] * 4
        events = sum(r["events_found"] for r in group)
        apart = max((r["event_s"] for r in group), default=0.0) if name[0] != "i" else None
        energy = max((r["energy"] for r in group), default=0.0)
        lines.append(f"| {name} | {len(group)} | {' | '.join(cells)} | {events} | "
                     f"{'-' if apart is None else f'{apart:.0e} s'} | {energy:.0e} | {sum(bool(r['wrong']) for r in group)} |")
    return lines


def worst_draws(results, count=8):
    right = [r for r in results if not r["ill"] and "shares" in r]
    right.sort(key=lambda r: -max(r["shares"].values()))
    lines = ["| draw | nodes | highest mode | events | worst share of span | the reference moves by |", "| --- |" + " --- |" * 5]
    for r in right[:count]:
        kind = max(r["shares"], key=r["shares"].get)
        lines.append(f"| {r['number']} | {r['nodes']} | {r['highest_hz']} Hz | {r['events']} | {r['shares'][kind]:.0e} ({kind}) | "
                     f"{r['moves']:.0e} |")
    return lines


def page(results):
    ill = [r["number"] for r in results if r["ill"]]
    wrong = [r for r in results if r["wrong"]]
    lines = ["# Drawn machines against SciPy", "",
             f"Written by `tools/random_check/random_check.py` on {datetime.date.today()} with NumPy {numpy.__version__} and SciPy "
             f"{scipy.__version__}: draws {results[0]['number']} to {results[-1]['number']}, {len(results)} of them. Shares are of each "
             "state's own span over 0.5 s; energy is what the program's account leaves, as a share of the work done.",
             f"Allowed: {SMOOTH:.0e} smooth, {ROUGH:.0e} with play or stick, {EVENT_S:.0e} s in event times, no event missed or "
             f"invented, {ENERGY:.0e} in energy.", "", *table(results), "",
             f"Ill-conditioned: {len(ill)} of {len(results)}, {100 * len(ill) / len(results):.0f} % (more than {100 * ILL_MAX:.0f} % would "
             "be a finding). They are judged by energy and by the legality of their events: "
             + (", ".join(map(str, ill)) or "none") + ".", "", "## The worst of the others", "", *worst_draws(results), "",
             "## Beyond a bar", ""]
    lines += [f"- draw {r['number']}: {'; '.join(r['wrong'])}" for r in wrong] or ["None."]
    return "\n".join(lines) + "\n"


def main():
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--draws", type=int, default=10)
    words.add_argument("--well", type=int, default=0)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--processes", type=int, default=os.cpu_count())
    words.add_argument("--plantstand", default="target/release/plantstand")
    words.add_argument("--results", type=Path)
    words.add_argument("--page", type=Path)
    options = words.parse_args()
    results = run(options)
    print("\n".join(table(results)))
    if options.page:
        options.page.write_text(page(results))
    ill = sum(r["ill"] for r in results)
    wrong = [r["number"] for r in results if r["wrong"]]
    print(f"{len(results)} draws, {ill} ill-conditioned, beyond a bar: {wrong or 'none'}")
    sys.exit(1 if wrong or ill > ILL_MAX * len(results) else 0)


if __name__ == "__main__":
    main()
