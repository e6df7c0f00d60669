#!/usr/bin/env bash
# The firmware on Linux over UDP, on Linux over a pty, and on the emulated board gives the same torques, to the bit.
#
#   tools/firmware/same_output.sh [EXCHANGES]
#
# Runs one trial each of at least EXCHANGES exchanges (10 000 unless told) against target/release/plantstand, or the program
# that PLANTSTAND names, and compares the hashes that the firmware prints. A bad frame is a failure, too. Ends with 0 when
# all agree, with 1 when not. Needs what `make linux board` and run_qemu.sh need.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
exchanges=${1:-10000}
program=${PLANTSTAND:-target/release/plantstand}
make -s -C tools/firmware linux board

folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
# The shipped roll with its first setpoint and first limit only, as long as is asked for: three machines, 8000 ticks a second.
end_s=$(awk -v n="$exchanges" 'BEGIN { s = int(n / 30 + 1) / 800; printf "%.5f", s < 0.3 ? 0.3 : s }')
awk -v end_s="$end_s" '
  /^\[/ { table = $0; if (seen[table]++ && table ~ /programme|limit/) skip = 1; else skip = 0 }
  /^end_s/ { $0 = "end_s = " end_s }
  !skip
' scenarios/torque/dough-sheeter.toml > "$folder/roll.toml"

hashes=''
run() {
  local name=$1 status=0 began=$SECONDS said
  shift
  "$program" score "$folder/roll.toml" --record "$folder/$name" "$@" > "$folder/$name.txt" 2>&1 || status=$?
  said=$(grep 'output hash' "$folder/$name/method.out.txt" 2> /dev/null || true)
  echo "$name, $((SECONDS - began)) s: ${said:-no report; exit status $status}"
  case $said in
    *', bad frames 0,'*) hashes+="${said##* }"$'\n' ;;
    *) cat "$folder/$name.txt"; exit 1 ;;
  esac
}
run linux-udp --method target/firmware/linux
run linux-pty --link pty --method target/firmware/linux
run board-pty --link pty --method tools/firmware/run_qemu.sh
[ "$(printf '%s' "$hashes" | sort -u | wc -l)" = 1 ] || { echo 'the outputs differ'; exit 1; }
echo 'the same output in every tick'
