#!/usr/bin/env bash
# The rounding study for the firmware: writes scenarios/suites/firmware.tolerances.toml anew. Some minutes.
#
# Builds the firmware as it is, with additions in another order, and with a count too many in one tick of each second: what
# rounding does when it pushes an angle over the edge between two counts. The last is no build of the firmware's own: it
# is made from a copy, in one line.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
firmware=${FIRMWARE:-tools/firmware}
out=$PWD/target/firmware
make -s -C "$firmware" OUT="$out" "$out/linux" "$out/reordering"

copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
cp "$firmware"/*.c "$firmware"/*.h "$firmware/Makefile" "$copy"
sed -i 's/speed_from(controller, tick, counts)/speed_from(controller, tick, counts + (tick % 8000 == 4001))/' "$copy/controller.c"
grep -q 'tick % 8000 == 4001' "$copy/controller.c" || { echo "the controller reads its counts elsewhere now" >&2; exit 1; }
make -s -C "$copy" OUT="$copy/built" "$copy/built/linux"
mv "$copy/built/linux" "$out/count_too_many"

# The settings are those of the suite.
arm=$(sed -n 's/^method = "env \(.*\) target.*/\1/p' scenarios/suites/firmware.toml)
# shellcheck disable=SC2086 # a list of settings
python3 tools/rounding/study.py --one "$out/linux" --other "$out/reordering" --other "$out/count_too_many" \
  --out scenarios/suites/firmware.tolerances.toml "$@" \
  scenarios/torque/dough-sheeter.toml $arm scenarios/torque/swivel-arm.toml
