#!/usr/bin/env bash
# Ten million exchanges of lockstep over loopback UDP, and the bench's resident memory after each million: written to
# SOAK.md beside this file. Ends with 1 when the memory is not flat. Takes minutes. tools/bench/soak.sh [EXCHANGES]
set -euo pipefail
export LC_ALL=C.UTF-8
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

exchanges=${1:-10000000}
results=tools/bench/SOAK.md
target=target/bench
cargo build --release --locked
cargo build --release --locked --manifest-path tools/bench/Cargo.toml --target-dir "$target"
# The first scenario with an exchange every tick and budgets that no soak uses up.
sed 's/^stride = .*/stride = 1/; s/^time_s = .*/time_s = 3600/; s/^path_deg = .*/path_deg = 1e9/' \
  scenarios/dough-sheeter.toml > "$target/soak.toml"
load_before=$(cut -d' ' -f1-3 /proc/loadavg 2> /dev/null || echo unknown)
started=$(date +%s)
rows=$("$target/release/soak" target/release/plantstand "$target/soak.toml" "$exchanges")
cat > "$results.new" <<PAGE
# Soak

Written by \`tools/bench/soak.sh\`; not by hand. One trial in lockstep over loopback UDP, an exchange every tick, the axis
turning to and fro; the resident memory of the bench's process after each million exchanges.

$rows

Machine: $(nproc) processors, $(uname -s) $(uname -r), $(rustc --version | cut -d' ' -f1,2). Load before the run:
$load_before. It took $(($(date +%s) - started)) s. Date: $(date -u +%Y-%m-%d).
PAGE
mv "$results.new" "$results"
cat "$results"
