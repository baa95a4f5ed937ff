#!/usr/bin/env bash
# Makes zoneinfo.zip from Debian's tzdata package: compiles its tzdata.zi with zic, slim, and notes the version.
# Needs apt-get, dpkg-deb, zic (libc-bin) and zip.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
apt-get download tzdata >/dev/null
dpkg-deb -x tzdata_*.deb tz
source=tz/usr/share/zoneinfo/tzdata.zi
sed -nE '1s/^# version //p' "$source" >"$here/VERSION"
mkdir out
zic -b slim -d out "$source"
cd out
# The same bytes each time: files in order, one fixed date.
find . -type f | LC_ALL=C sort | sed 's|^\./||' >../list
xargs -d '\n' touch -d '2000-01-01T00:00:00Z' <../list
rm -f "$here/zoneinfo.zip"
TZ=UTC zip -X -9 -q -@ "$here/zoneinfo.zip" <../list
printf 'tzdata %s: %s zones, %s bytes\n' "$(cat "$here/VERSION")" "$(wc -l <../list)" "$(stat -c %s "$here/zoneinfo.zip")"
