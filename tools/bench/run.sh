#!/usr/bin/env bash
# Builds the benchmarks, runs them and writes RESULTS.md beside this file. Every bound is a ratio or a time within one
# run; best on a machine that does nothing else. As root the idle states of the processor are held off for the link.
set -euo pipefail
export LC_ALL=C.UTF-8
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

results=tools/bench/RESULTS.md
target=target/bench
scenario=scenarios/dough-sheeter.toml
plantstand=target/release/plantstand

cargo build --release --locked
cargo build --release --locked --manifest-path tools/bench/Cargo.toml --target-dir "$target"

# The first scenario with an exchange every tick and budgets that no measurement uses up.
mkdir -p "$target"
sed 's/^stride = .*/stride = 1/; s/^time_s = .*/time_s = 3600/; s/^path_deg = .*/path_deg = 1e9/' "$scenario" \
  > "$target/stride-1.toml"

load_before=$(cut -d' ' -f1-3 /proc/loadavg 2> /dev/null || echo unknown)
# Lateness beside cyclictest takes a quarter of an hour and ten minutes more; LATENESS has other words for it, such as
# '--block 2 --rounds 3 --long 0' for a look.
read -ra lateness <<< "${LATENESS:-}"
histogram=$target/lateness.md
: > "$histogram"
rows=$("$target/release/plant"
  "$target/release/ticks"
  "$target/release/pingpong" "$plantstand" "$target/stride-1.toml"
  "$target/release/waiting"
  "$target/release/ptypong" "$plantstand" "$target/stride-1.toml"
  "$target/release/start" "$plantstand" "$scenario"
  "$target/release/lateness" "$scenario" --histogram "$histogram" ${lateness[@]+"${lateness[@]}"})

model=$(sed -n 's/^model name[[:space:]]*: //p' /proc/cpuinfo 2> /dev/null | sed -n 1p)
cat > "$results.new" <<PAGE
# Benchmarks

Written by \`tools/bench/run.sh\`; not by hand. Median of alternating blocks, with the lowest and the highest block.

| what | median | lowest to highest | asked | held |
| --- | --- | --- | --- | --- |
$rows

Machine: ${model:-$(uname -m)}, $(nproc) processors, $(uname -s) $(uname -r), $(rustc --version | cut -d' ' -f1,2). Load before
the run: $load_before. Date: $(date -u +%Y-%m-%d).

- **plant**: per core (the thread's own processor time), 8 kHz, reference trajectory b (two masses with play, friction on both sides, reversing torque, 184
  contact and stick events in 2 s). With sensor and drive: counts with noise, speed loop with low-passes and two notches.
- **a tick of**: instructions by valgrind's callgrind, of the same runs in two lengths: they repeat to the instruction, whatever
  else the machine does. The whole axis is the first scenario's machine with play, tuned settings and its programme, under
  sensor, drive, conduct and recording of the rows; times are the thread's own.
- **lockstep**: the real bench with the first scenario's machine, drive enabled and axis turning, an exchange every tick,
  against a client that answers at once; beside it a blocking ping-pong between two processes with frames of the same
  sizes. The bench and a method that it started share
  one processor: the way that stays fast whatever runs beside it. A bounded spin of both sides is faster where nobody else
  wants the two processors; where the system puts both sides on one, each spins while the other one waits to run, and a
  method that is not ours does not spin at all.
- **lockstep over a pty**: the same over a pseudo-terminal, frames stuffed, beside a blocking ping-pong over one with as many
  bytes each way.
- **start**: wall time of the whole process, as a shell sees it.
- **\`score\`**: wall time of tuning by \`careful\` over the link, power cycle, examination of the nominal machine and every
  corner.
- **lateness**: actual minus scheduled start of a tick, and wake-ups of cyclictest (Debian's rt-tests) with the same policy,
  priority, period and locked memory, in turn, block by block. The ticks are those of the paced loop over a UDP link on
  loopback: plant, sensor and drive, the scenario's stride, a client in another process that answers every feedback, rows
  handed out in chunks. A tick is missed when it is not done before the next one is due. cyclictest leaves out the
  periods that it overslept; the bench catches up and counts each. Rows that say so leave them out of both sides (only
  ticks that were waited for, missed when they began later than a period) or count them in both (each period that
  cyclictest overslept as late as a tick that is caught up at once).

$(cat "$histogram")
PAGE
mv "$results.new" "$results"
cat "$results"
! grep -q '\*\*no\*\*' "$results"
