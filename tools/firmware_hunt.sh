#!/usr/bin/env bash
# The shipped suite catches three deliberate defects of the firmware and does not flag a harmless reordering of additions.
#
#   tools/firmware_hunt.sh            over UDP, the firmware as a Linux process
#   tools/firmware_hunt.sh --board    the firmware on the emulated board, over a pseudo-terminal; minutes
#
# It builds tools/firmware as it is and in four other ways, runs scenarios/suites/firmware.toml with each against the
# known-good results in the repository, and ends with 1 when a defect was green or what is harmless was red.
set -uo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 1

plantstand=${PLANTSTAND:-target/release/plantstand}
firmware=${FIRMWARE:-tools/firmware}
suite=scenarios/suites/firmware
out=$PWD/target/firmware
link=() ending='' wanted_builds=(linux antiwindup_sign filter_bit skipped_tick reordering)
if [ "${1:-}" = --board ]; then
  link=(--link pty) ending=.elf wanted_builds=(board antiwindup_sign filter_bit skipped_tick reordering)
fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
make -s -C "$firmware" OUT="$out" $(printf "$out/%s$ending " "${wanted_builds[@]}") || exit 1
wrong=0

# hunt BUILD STATUS WHAT: runs the suite with a build; its exit status must be this one.
hunt() {
  local build=$1 wanted=$2 what=$3 status=0 command="$out/$1$ending"
  [ -z "$ending" ] || command="$PWD/$firmware/run_qemu.sh $command"
  for part in known-good.toml tolerances.toml; do cp "$suite.$part" "$work/firmware.$part"; done
  sed "s#target/firmware/linux#$command#" "$suite.toml" > "$work/firmware.toml"
  "$plantstand" suite "$work/firmware.toml" --records "$work/records-$build" ${link[@]+"${link[@]}"} \
    > "$work/$build.txt" 2> "$work/$build.err" || status=$?
  printf '\n%s: ' "$what"
  if [ "$status" = "$wanted" ]; then echo "exit $status, as it should be"; else
    echo "exit $status, should be $wanted"
    cat "$work/$build.err"
    wrong=1
  fi
  sed -n '2p' "$work/$build.txt"
  grep -E -m 3 '^    (worse|other|better)' "$work/$build.txt"
  grep -m 1 'Frames differ first' "$work/$build.txt"
  rm -rf "$work/records-$build"
}

hunt "${wanted_builds[0]}" 0 'the firmware as it is'
hunt reordering 0 'additions in another order'
hunt antiwindup_sign 1 'the sign in the anti-windup'
hunt filter_bit 1 "the fourth-highest fraction bit of the filter's coefficient"
hunt skipped_tick 1 'every 1000th tick skipped, the old torque held'
echo
if [ "$wrong" = 0 ]; then echo 'three defects of three caught, nothing harmless flagged'; fi
exit "$wrong"
