#!/usr/bin/env bash
# Fuzzes the readers of outside bytes, guided by coverage: tools/fuzz/run.sh SECONDS [TARGET...], all of them without a
# name. What it finds on the way is collected in target/fuzz/found/, what breaks a promise lies in target/fuzz/broken/.
# It needs a C++ compiler for the fuzzer itself; the plain compiler of the project does the rest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

seconds=${1:?usage: tools/fuzz/run.sh SECONDS [TARGET...]}
shift
targets=("$@")
[ $# -gt 0 ] || mapfile -t targets < <(sed -n 's/.*name: "\([a-z]*\)".*/\1/p' tests/fuzz_targets/mod.rs)

host=$(rustc -vV | sed -n 's/^host: //p')
# What the coverage sanitizer adds; given a target by name, so that build scripts are left as they are.
export RUSTFLAGS="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4
  -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table
  -Cllvm-args=-sanitizer-coverage-trace-compares -Ccodegen-units=1 -Cdebug-assertions"
RUSTFLAGS=$(tr '\n' ' ' <<< "$RUSTFLAGS") cargo build --release --target "$host" \
  --manifest-path tools/fuzz/Cargo.toml --target-dir target/fuzz

for target in "${targets[@]}"; do
  mkdir -p "target/fuzz/found/$target" "target/fuzz/broken/$target"
  folders=("target/fuzz/found/$target" "tests/data/corpus/$target")
  case $target in
    scenario) folders+=(tests/data/scenarios scenarios) ;;
    stream)   folders+=(tests/data/corpus/wire) ;;
    replay)   folders+=(tests/data/corpus/session) ;;
  esac
  echo "--- $target"
  PLANTSTAND_FUZZ_TARGET=$target "target/fuzz/$host/release/plantstand-fuzz" -max_total_time="$seconds" -max_len=16384 \
    -timeout=20 -rss_limit_mb=2048 -print_final_stats=1 -artifact_prefix="target/fuzz/broken/$target/" \
    "${folders[@]}" 2>&1 | tee "target/fuzz/$target.log" | grep -E 'DONE|BINGO|panicked|SUMMARY|stat::|ERROR' || true
done
