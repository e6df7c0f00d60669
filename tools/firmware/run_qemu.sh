#!/usr/bin/env bash
# Runs the firmware of the emulated board to its end: the method of a trial over a serial line.
#
#   plantstand score FILE --link pty --method 'tools/firmware/run_qemu.sh'
#   PLANTSTAND_LINK=serial:/dev/pts/5:115200 tools/firmware/run_qemu.sh [ELF]
#
# The bench gives PLANTSTAND_LINK and PLANTSTAND_TOKEN; the tty becomes the board's first UART, the token is put into its
# memory before it starts. What the board says to people comes out here. Ends with 0 when the board got a result, with 1
# when it did not, with 2 when something is missing. No emulator is left behind, however this script ends; one that has
# not ended after FIRMWARE_LIMIT_S seconds (3600 unless set) is ended, with 1.
set -uo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
image=${1:-$here/../../target/firmware/board.elf}
limit_s=${FIRMWARE_LIMIT_S:-3600}
qemu=${QEMU_SYSTEM_ARM:-qemu-system-arm}

complain() { echo "run_qemu.sh: $*" >&2; exit 2; }
command -v "$qemu" > /dev/null || complain "$qemu is not there; Debian's package is qemu-system-arm"
command -v setpriv > /dev/null || complain "setpriv is not there; Debian's package is util-linux"
[ -f "$image" ] || complain "$image is not there; make -C tools/firmware board builds it"
case ${PLANTSTAND_LINK:-} in
  serial:/*:*) tty=${PLANTSTAND_LINK#serial:}; tty=${tty%:*} ;;
  *) complain "PLANTSTAND_LINK is '${PLANTSTAND_LINK:-}', should be serial:PATH:BAUD, as the bench sets it" ;;
esac
[ -c "$tty" ] || complain "$tty is no tty"
token=${PLANTSTAND_TOKEN:-00000000000000000000000000000000}
[[ $token =~ ^[0-9a-fA-F]{32}$ ]] || complain "PLANTSTAND_TOKEN should be 32 hex digits, as the bench sets it"

# The loader writes numbers of eight bytes, the high one first when told so.
given=(-device "loader,addr=0x20000000,data=0x${token:0:16},data-len=8,data-be=on"
       -device "loader,addr=0x20000008,data=0x${token:16:16},data-len=8,data-be=on")
run=("$qemu" -M emcraft-sf2 -display none -monitor none -nodefaults -no-reboot -kernel "$image" "${given[@]}"
     -serial "$tty" -serial stdio)
# The emulator dies with `timeout`, and that with this script, even when they are killed.
mortal=(setpriv --pdeathsig KILL)
run=("${mortal[@]}" timeout --foreground --kill-after=5 "$limit_s" "${mortal[@]}" "${run[@]}")

emulator=''
# shellcheck disable=SC2317 # called by the trap
clean_up() { [ -z "$emulator" ] || kill -KILL "$emulator" 2> /dev/null; }
trap clean_up EXIT
trap 'exit 1' INT TERM HUP

exec 3< <(exec "${run[@]}" < /dev/null 2>&1)
emulator=$!
ending=1
while IFS= read -r line <&3; do
  case $line in
    *': warning: nic '*) ;; # that the board's network goes nowhere is meant so
    'firmware: result: '*) ending=0; echo "$line" ;;
    *) echo "$line" ;;
  esac
done
status=0
wait "$emulator" || status=$?
emulator=''
[ "$status" != 124 ] || echo "run_qemu.sh: the board had not ended after $limit_s s" >&2
exit "$ending"
