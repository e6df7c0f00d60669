#!/bin/sh
# Takes the picture of a report: tools/screenshot/report.sh REPORT.html OUT.png [WIDTHxHEIGHT] [light|dark]
# Wants Chromium (on Debian: apt-get install chromium fonts-dejavu-core). The browser starts with an empty profile,
# without its background requests, and the page itself fetches nothing.
set -eu

if [ $# -lt 2 ] || [ $# -gt 4 ]; then
  echo "usage: $0 REPORT.html OUT.png [WIDTHxHEIGHT] [light|dark]" >&2
  exit 2
fi
page=$1 picture=$2 size=${3:-1280x960} scheme=${4:-light}
width=${size%x*} height=${size#*x}
case $width$height in *[!0-9]*|'') echo "not WIDTHxHEIGHT: $size" >&2; exit 2 ;; esac
case $scheme in
  light) scheme_flag= ;;
  dark) scheme_flag=--blink-settings=preferredColorScheme=0 ;;
  *) echo "neither light nor dark: $scheme" >&2; exit 2 ;;
esac
[ -r "$page" ] || { echo "cannot read $page" >&2; exit 2; }

browser=
for name in chromium chromium-browser google-chrome; do
  if command -v "$name" > /dev/null 2>&1; then browser=$name; break; fi
done
if [ -z "$browser" ]; then
  echo "Chromium is needed and was not found; on Debian: apt-get install chromium fonts-dejavu-core" >&2
  exit 4
fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
folder=$(cd "$(dirname "$page")" && pwd)
name=$(basename "$page")

# A window narrower than 500 pixels is widened by the browser: a narrow page is shown in a frame of its own.
target="file://$folder/$name"
if [ "$width" -lt 500 ]; then
  printf '<!doctype html><style>body{margin:0}iframe{border:0;display:block}</style><iframe src="%s" width="%s" height="%s"></iframe>' \
    "$target" "$width" "$height" > "$work/frame.html"
  target="file://$work/frame.html"
fi

HOME="$work" "$browser" --headless --no-sandbox --disable-gpu --disable-quic --no-first-run \
  --disable-background-networking --disable-component-update --disable-sync --hide-scrollbars \
  --user-data-dir="$work/profile" --force-color-profile=srgb $scheme_flag \
  --window-size="$width,$height" --screenshot="$work/picture.png" "$target" > "$work/log" 2>&1 || true
if [ ! -s "$work/picture.png" ]; then
  cat "$work/log" >&2
  echo "$browser took no picture" >&2
  exit 4
fi
mv "$work/picture.png" "$picture"
echo "$picture: ${width}x${height}, $scheme"
