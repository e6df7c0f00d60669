#!/usr/bin/env bash
# The same bits elsewhere: a trial and a bare simulation on this machine, on an older x86-64 processor without FMA and AVX, and
# on arm64, the last two emulated by QEMU.
#
#   tools/same_bits.sh [PAGE]      run by hand from anywhere; writes PAGE when it is given
#
# A trial is recorded here, once a method of the program's own; elsewhere its record is replayed, which compares every recorded
# state, every measure and every frame, bit by bit. `simulate` writes its states in digits that read back to the same double,
# so its files are compared byte by byte. What is missing is named and skipped; nothing is installed. It needs:
#   qemu-x86_64 and qemu-aarch64 (Debian: qemu-user)
#   aarch64-linux-gnu-gcc as linker (Debian: gcc-aarch64-linux-gnu libc6-dev-arm64-cross)
#   the standard library for it (rustup target add aarch64-unknown-linux-gnu)
# Exit status 1 when bits differ, 3 when something was skipped.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
page=${1:-}
target=aarch64-unknown-linux-gnu
out=target/same_bits
scenarios=(scenarios/dough-sheeter.toml scenarios/sluice-gate.toml scenarios/swivel-arm.toml)
rm -rf "$out" && mkdir -p "$out"
rows='' skipped=0 differ=0

record() {
  local scenario name
  for scenario in "${scenarios[@]}"; do
    name=$(basename "$scenario" .toml)
    "$here" score "$scenario" --by careful --record "$out/$name" > /dev/null 2>&1 || [ $? = 1 ]
    printf 'time_s,torque_nm\n0,0\n0.05,1.5\n0.3,-2\n0.5,0.4\n0.7,0\n' > "$out/torque.csv"
    "$here" simulate "$scenario" --torque "$out/torque.csv" --for 1 --out "$out/$name.here.csv"
  done
}

# compare WHERE COMMAND...: every record and simulation again under COMMAND.
compare() {
  local where=$1 scenario name trial states status
  shift
  for scenario in "${scenarios[@]}"; do
    name=$(basename "$scenario" .toml) status=0
    "$@" replay "$out/$name" > "$out/$name.replay" 2>&1 || status=$?
    trial='the same'; [ "$status" = 0 ] || { trial="differs (exit $status)"; differ=1; sed -n '1,20p' "$out/$name.replay"; }
    "$@" simulate "$scenario" --torque "$out/torque.csv" --for 1 --out "$out/$name.there.csv"
    states='the same'; cmp -s "$out/$name.here.csv" "$out/$name.there.csv" || { states='differ'; differ=1; }
    rows+="| $where | $name | $trial | $states |"$'\n'
  done
}

skip() {
  echo "skipped: $1 ($2)"
  rows+="| $1 | - | skipped: $2 | - |"$'\n'
  skipped=1
}

cargo build --release --locked --bin plantstand
here=target/release/plantstand
record
compare 'this processor, again' "$here"

if command -v qemu-x86_64 > /dev/null; then
  compare 'x86-64 without AVX and FMA (qemu-x86_64 -cpu Nehalem)' qemu-x86_64 -cpu Nehalem "$here"
else
  skip 'x86-64 without AVX and FMA' 'needs qemu-x86_64'
fi

sysroot=$(rustc --print sysroot)
if ! command -v qemu-aarch64 > /dev/null; then skip arm64 'needs qemu-aarch64'
elif ! command -v aarch64-linux-gnu-gcc > /dev/null; then skip arm64 'needs aarch64-linux-gnu-gcc'
elif [ ! -d "$sysroot/lib/rustlib/$target" ]; then skip arm64 "needs rustup target add $target"
else
  CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_LINKER=aarch64-linux-gnu-gcc \
    cargo build --release --locked --bin plantstand --target "$target"
  compare 'arm64 (qemu-aarch64)' qemu-aarch64 -L /usr/aarch64-linux-gnu "target/$target/release/plantstand"
fi

text="# The same bits elsewhere

Written by \`tools/same_bits.sh\` on $(date +%F), $(rustc --version), $(qemu-aarch64 --version 2> /dev/null | sed -n 1p).
A trial of the careful method was recorded on this machine ($(uname -m)) and replayed elsewhere, which compares every recorded state,
every measure and every frame; the states of \`simulate\` over 1 s were compared byte by byte.

| where | scenario | replayed trial | simulated states |
| --- | --- | --- | --- |
$rows"
echo "$text"
[ -z "$page" ] || printf '%s' "$text" > "$page"
[ "$differ" = 0 ] || exit 1
[ "$skipped" = 0 ] || exit 3
